// Who works at the station: a list with large buttons, a pad for the PIN, or a badge from a
// scanner that types. What was typed is kept no longer than it takes to send it.
import { t } from "./words.js";

const at = (id) => document.getElementById(id);
let post = null, list = null, working = null;
let chosen = null, typed = "", scanned = "", scannedAt = 0, busy = false;
let base = null, resolve = null; // of the question that is open

// working shows who works here; without people in the configuration it never comes.
export function onWorking(w) {
  working = w;
  const b = at("who");
  b.hidden = false;
  b.textContent = w.name || t("script.nobody");
  b.dataset.tone = w.name && !w.unnamed ? "none" : "act";
  b.setAttribute("aria-label", w.name ? t("script.works_here", w.name) : t("script.nobody"));
}

// startPeople wires the dialog. send posts an action and resolves to its reply, get fetches the list.
export function startPeople(send, get, may) {
  post = send; list = get;
  const d = at("d-people"), who = at("who"); // not every page has it
  if (who) who.disabled = !may;
  if (!d) return;
  who?.addEventListener("click", () => whoWorks());
  d.querySelector("form").addEventListener("submit", (e) => e.preventDefault());
  d.querySelector("[data-no]").addEventListener("click", () => d.close());
  d.addEventListener("click", (e) => { if (e.target === d) d.close(); });
  d.addEventListener("close", () => { forget(); if (resolve) resolve(null); resolve = null; });
  d.addEventListener("keydown", key);
  at("people-off").addEventListener("click", () => attempt({}));
  for (const b of d.querySelectorAll("[data-digit]")) b.addEventListener("click", () => digit(b.dataset.digit));
}

// whoWorks asks who works here from now on. It resolves to the reply, null if nobody answers.
export const whoWorks = () => open({ do: "person" }, t("script.who_works"), false);

// whoSigns asks who signs for an action, another than who works here. It resolves to the action
// with that person and its reply, null if nobody answers.
export const whoSigns = (action, title) => open(action, title, true);

async function open(action, title, signs) {
  const d = at("d-people"), people = await list();
  if (!people || !d) return null;
  for (const other of document.querySelectorAll("dialog[open]")) other.close();
  base = action;
  at("t-people").textContent = title;
  at("people-list").replaceChildren(...people.filter((p) => !signs || p.signs).map(button));
  const mine = at("people-mine"), unnamed = !signs && working ? working.unnamed || 0 : 0;
  mine.hidden = !unnamed;
  mine.querySelector("input").checked = false;
  mine.querySelector("span").textContent = unnamed ? t("script.unnamed", unnamed) : "";
  at("people-off").hidden = signs || !working?.name;
  at("people-badge").hidden = !people.some((p) => p.badge);
  step(null);
  d.showModal();
  at("people-list").querySelector("button")?.focus();
  return new Promise((r) => { resolve = r; });
}

function button(p) {
  const b = Object.assign(document.createElement("button"), { type: "button", textContent: p.name });
  b.dataset.person = p.id;
  b.addEventListener("click", () => {
    if (p.pin) return step(p);
    if (p.badge) return why(t("script.scan_badge", p.name));
    attempt({ person: p.id });
  });
  return b;
}

// step shows the list, or the pad for the PIN of somebody.
function step(p) {
  forget();
  chosen = p;
  at("people-list").hidden = !!p;
  at("people-pin").hidden = !p;
  if (p) { at("t-people").textContent = t("script.pin_of", p.name); dots(); at("people-pin").querySelector("button").focus(); }
}

function forget() { typed = scanned = ""; chosen = null; why(""); }
const why = (s) => { at("people-why").textContent = s; };
const dots = () => { at("people-dots").textContent = "●".repeat(typed.length) || "–"; };

function digit(what) {
  if (what === "ok") return typed && attempt({ person: chosen.id, pin: typed });
  typed = what === "back" ? typed.slice(0, -1) : (typed + what).slice(0, 12);
  dots();
}

// key takes what a keyboard or a scanner types: digits for the PIN; else a badge, which ends with Enter.
const scanFor = 1000; // ms without a key after which a badge begins anew
function key(e) {
  if (e.ctrlKey || e.altKey || e.metaKey || e.key === "Tab" || e.key === "Escape") return;
  if (e.key === " " && e.target.closest("button, input") && !scanned) return;
  if (e.key === "Enter") {
    if (scanned.length >= 4 && e.timeStamp - scannedAt < scanFor) { e.preventDefault(); const badge = scanned; scanned = ""; return attempt({ badge }); }
    if (chosen && typed) { e.preventDefault(); digit("ok"); }
    return;
  }
  if (chosen && e.key === "Backspace") return digit("back");
  if (e.key.length !== 1) return;
  e.preventDefault();
  if (chosen) { if (/[0-9]/.test(e.key)) digit(e.key); return; }
  scanned = (e.timeStamp - scannedAt < scanFor ? scanned : "") + e.key;
  scannedAt = e.timeStamp;
}

// attempt sends the action with the person, and closes the dialog once it is not refused for that.
async function attempt(who) {
  if (busy) return;
  busy = true;
  why("");
  const mine = at("people-mine").querySelector("input").checked || undefined;
  const action = { ...base, ...who, id: undefined, mine: base.do === "person" && who.person !== undefined || who.badge ? mine : undefined };
  const reply = await post(action);
  busy = false;
  typed = "";
  if (chosen) dots();
  if (!reply.done && !reply.ask && !reply.pending) return why(reply.why?.text || t("script.not_done"));
  const answer = resolve;
  resolve = null;
  at("d-people").close();
  if (answer) answer({ action, reply });
}
