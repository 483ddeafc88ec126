// What the operator may do. A button or key opens a question; its answer is sent,
// and where the tool asks whether it is meant, that is asked too.
import { settings, set } from "./settings.js";
import { onSignOut } from "./login.js";
import { post, people, saveRecord } from "./post.js";
import { startPeople, whoWorks, whoSigns } from "./people.js";
import { wire, open, action } from "./outcome.js";
import { t, language } from "./words.js";
import * as dialogs from "./dialogs.js";

let station = "", may = false, note = null, face = null, at = null;
const barFor = 15000; // ms the actions stay without a touch
let barTimer = 0;

// send sends an action. It asks for the person whom the action wants, and sends it again.
async function send(action, asked) {
  const reply = await post(station, action, asked), code = reply.why?.code || "";
  if (!reply.done && code === "action.person.needed") {
    const named = await whoWorks();
    if (named?.reply.done) send({ ...action, id: undefined });
    return;
  }
  if (!reply.done && !action.person && (code === "action.sign.other" || code === "action.person.may_not" && action.do === "accept")) {
    const signed = await whoSigns(action, reply.why.text);
    return signed ? answered(signed.action, signed.reply) : undefined;
  }
  answered(action, reply);
}

// answered says what came of an action, and asks what the program asks about it.
function answered(action, reply) {
  if (reply.pending) { // not on disk yet: say so until the same action is
    note(reply.why.text, 8000);
    return setTimeout(() => send(action, true), 1000);
  }
  refused = reply.done ? "" : reply.why?.code || "";
  if (reply.done) return note(t("script.done"), 1200);
  if (!reply.ask) return note(reply.why?.text || t("script.not_done"), 8000);
  at("ask-what").textContent = reply.why.text;
  ask("ask", () => send({ ...action, confirm: true }));
}

// explain opens the help: what the page shows now, what was refused last, and the keys.
let refused = "";
async function explain(byKey) {
  const q = new URLSearchParams({ part: "", screen: "station", station, lang: language });
  if (refused) q.set("code", refused);
  ask("keys", () => {}, byKey);
  at("explained").replaceChildren();
  try {
    const r = await fetch("/help?" + q);
    if (r.ok) at("explained").innerHTML = await r.text();
  } catch { /* the keys are here all the same */ }
}

let answer = null;
function ask(name, then, byKey) {
  const d = at("d-" + name);
  for (const open of document.querySelectorAll("dialog[open]")) open.close();
  answer = then;
  const form = d.querySelector("form");
  if (name !== "settings") form.reset();
  fill(name, form);
  hide();
  d.showModal();
  dialogs.focus(d, byKey && !(name === "study" && face?.study));
}

// fill puts what is known now into a question.
function fill(name, form) {
  const f = face || {};
  switch (name) {
    case "part": form.querySelector(".yes").textContent = begins(form, f); break;
    case "study": turns(form, f.study); break;
    case "record": at("take-what").textContent = taking(at("shows").textContent, f.next); break;
    case "accept": at("accept-what").textContent = f.sizes || t("script.nothing_gauged"); break;
    case "disposition": open(form, f.result ? f.result.text : f.sizes || t("script.nothing_gauged"), f.result); break;
    case "settings": for (const k in settings) { const e = form[k]; if (e) e.type === "checkbox" ? (e.checked = !!settings[k]) : (e.value = settings[k]); } break;
  }
  dialogs.fill(name, form, f);
}

// begins says which part the answer begins: that with the next number, unless one is typed.
function begins(form, f) {
  const serial = value(form, "part") || f.next_part;
  return serial ? t("script.begin_part", serial) : t("script.begin_next_part");
}

// taking says which value is to count, and where.
function taking(value, next) {
  if (value === "–") return next ? t("script.record_shown_at", next) : t("script.record_shown");
  return next ? t("script.record_at", value, next) : t("script.record", value);
}

// turns asks who gauges what next in the study under way, or what a new one is to be.
function turns(form, study) {
  for (const [id, on] of [["study-start", !study], ["study-turn", !!study]]) at(id).hidden = at(id).disabled = !on;
  if (!study) return;
  at("study-now").textContent = study.now;
  const next = study.next;
  form.appraiser.replaceChildren(...study.appraisers.map((a) => new Option(a)));
  form.trial.replaceChildren(new Option(t("script.next_due"), ""), ...Array.from({ length: study.trials }, (_, i) => new Option(i + 1)));
  form.over.checked = !next;
  if (next) form.appraiser.value = next.appraiser;
  form.part.value = next ? next.part : "";
  form.appraiser.onchange = () => { form.part.value = ""; }; // what is due is another's
}

const value = (form, name) => form[name] && form[name].value.trim();
const number = (form, name) => { const v = value(form, name); return v ? dialogs.read(v) : undefined; };
// reason is why, in a person's own words or as picked, which each reader has in his language.
const reason = (form) => (value(form, "reason") ? { reason: value(form, "reason") } : { reason_code: form.quick?.value || undefined });

// made is the action that the answers to a question make.
const made = {
  part: (f) => ({ part: value(f, "part"), order: value(f, "order"), heat: value(f, "heat") }),
  undo_round: () => ({}),
  round: (f) => ({ strokes: number(f, "strokes"), seconds: number(f, "seconds"), dressed: f.dressed.checked || undefined }),
  record: () => ({}),
  void: (f) => ({ reading: number(f, "reading"), ...reason(f) }),
  position: (f, by) => {
    const p = face.places[+f.place.value];
    return { do: by?.dataset.how || "position", position: { depth_mm: p.depth_mm, angle_deg: p.angle_deg } };
  },
  master: (f, by) => ({ ring: by.dataset.ring, gain: f.gain.checked || undefined }),
  check: (f, by) => (by.dataset.how === "reread" ? { do: "reread" } : { do: by.dataset.how || "check", ring: by.dataset.ring || face.rings?.[0]?.id }),
  leave: () => ({}),
  restore: (f) => ({ reading: number(f, "reading") }),
  keep: (f) => ({ reading: number(f, "reading") }),
  bumped: (f) => reason(f),
  dressed: (f) => reason(f),
  note: (f) => reason(f),
  temperature: (f) => (f.cooldown.checked ? { do: "cooldown" } : { part_cel: number(f, "part_cel"), ring_cel: number(f, "ring_cel") }),
  study: (f) => {
    if (at("study-turn").disabled) return { appraisers: value(f, "appraisers").split(/[,;]/).map((s) => s.trim()).filter(Boolean), parts: number(f, "parts"), trials: number(f, "trials"), part: value(f, "first") };
    return f.over.checked ? { over: true } : { appraiser: f.appraiser.value, part: value(f, "part"), trial: number(f, "trial") };
  },
  job: (f) => ({ job: value(f, "job") }),
  accept: () => ({}),
  disposition: (f) => action(f, face.result),
};

function begin(name, byKey) {
  const form = at("d-job").querySelector(".way"); // of a new job
  if (name === "job" && form && !at("d-job").querySelector("[type=radio]")) return location.assign(form.href); // there is none to choose
  if (name === "zoom") return show("drawing");
  if (name === "view") return show("rounds");
  if (name === "by") { // the approach to size: by round, by honing, by the clock, and again
    set({ by: { "": "honing", honing: "clock" }[settings.by] || "" });
    if (at("main").dataset.show !== "rounds" && !at("approach").getClientRects().length) show("rounds");
    return hide();
  }
  if (name === "settings") return ask(name, (f) => {
    set({
      unit: f.unit.value, comma: f.comma.value, theme: f.theme.value, volume: f.volume.value,
      words: f.words.value, rise: f.rise.checked ? "1" : "", speak: f.speak.checked ? "1" : "", awake: f.awake.checked ? "1" : "",
    });
    if (f.lang.value !== language) comeIn(f.lang.value);
  }, byKey);
  if (name === "keys") return explain(byKey);
  if ((name === "master" || name === "check") && face && face.reading_ring) name = "leave";
  if (name === "accept" && face && face.result) name = "disposition"; // another result of the part
  const kind = name;
  ask(kind, (f, by) => send({ do: kind, ...made[kind](f, by) }), byKey);
}

// comeIn has the page come in another language, which the server then keeps for this browser.
function comeIn(tag) {
  const to = new URL(location);
  to.searchParams.set("lang", tag);
  location.replace(to);
}

// show puts the drawing, or the way to size, in the place of the words, and the words back.
function show(what) {
  const main = at("main");
  main.dataset.show = main.dataset.show === what ? "words" : what;
  for (const [name, is] of [["zoom", "drawing"], ["view", "rounds"]]) document.querySelector(`#bar [data-do="${name}"]`).setAttribute("aria-pressed", main.dataset.show === is);
  hide();
}

// offer shows the actions that make sense now. The button that stands out is the first step of the
// advice, as long as that asks a person for an action.
let offered = [], offeredAt = 0;
function offer(f) {
  const now = f.buttons || [];
  const places = [now.find((b) => b.first), ...now.filter((b) => !b.first)];
  if (JSON.stringify(places) !== JSON.stringify(offered)) offeredAt = Date.now();
  offered = places;
  document.querySelectorAll("#hands .now").forEach((b, i) => {
    b.hidden = !places[i];
    b.dataset.do = places[i]?.do || "";
    if (places[i]) b.textContent = places[i].text;
  });
}

// take takes up what is offered at a place. What asks nothing is done, unless the finger was on its
// way to what stood there before, or touched twice.
const settle = 400; // ms, longer than a finger takes to touch
function take(i) {
  const b = offered[i];
  if (b.do === "paper") return saveRecord(b.at, note);
  if (!b.once) return begin(b.do);
  if (Date.now() - offeredAt < settle) return;
  offeredAt = Date.now();
  send({ do: b.do, ring: b.ring, strokes: b.strokes, seconds: b.seconds });
}

// undo offers for a minute to take the newest action back, and names it.
const undoFor = 60000; // ms
let undone = "", undoTimer = 0;
function undo(u) {
  const b = at("undo");
  if (!b) return;
  if (!u || u.at !== undone) {
    clearTimeout(undoTimer);
    undoTimer = setTimeout(() => { b.hidden = true; }, undoFor);
    b.hidden = !u;
    undone = u?.at;
  }
  if (!u) return;
  b.textContent = u.text;
  b.onclick = () => {
    b.hidden = true;
    const { text, at: _, ...action } = u;
    send(action);
  };
}

function showBar() {
  at("bar").hidden = false;
  at("more").setAttribute("aria-expanded", "true");
  clearTimeout(barTimer);
  barTimer = setTimeout(() => { if (!at("bar").contains(document.activeElement)) hide(); }, barFor);
}

function hide() {
  at("bar").hidden = true;
  at("more").setAttribute("aria-expanded", "false");
}

// mark underlines the letter of a button that is its key, at the beginning of a word where possible.
function mark(b) {
  const label = b.textContent, key = b.dataset.key, low = label.toLowerCase();
  const i = low.startsWith(key) ? 0 : low.includes(" " + key) ? low.indexOf(" " + key) + 1 : low.indexOf(key);
  const u = Object.assign(document.createElement("u"), { textContent: i < 0 ? key : label[i] });
  const words = document.createElement("span");
  words.append(...(i < 0 ? [label + " ", u] : [label.slice(0, i), u, label.slice(i + 1)]));
  b.replaceChildren(words);
}

// keys: a single one waits a moment, for a scanner types many at once.
const scanGap = 45; // ms between the keys of a scanner, at most (common practice: 1 to 30)
let typed = "", typedAt = 0, keyTimer = 0;
function key(e) {
  if (e.ctrlKey || e.altKey || e.metaKey || document.querySelector("dialog[open]") || e.target.closest("input, select, textarea")) return;
  if (e.key === "Escape") return hide();
  if (e.key === "Enter" && typed.length >= 4 && e.timeStamp - typedAt < 4 * scanGap) {
    e.preventDefault();
    const serial = typed;
    typed = "";
    clearTimeout(keyTimer);
    if (!may) return;
    begin("part", true);
    const form = at("d-part").querySelector("form");
    form.part.value = serial;
    form.querySelector(".yes").textContent = begins(form, face || {});
    return;
  }
  if (e.key.length !== 1 || (e.key === " " && e.target.closest("button, a"))) return;
  typed = e.timeStamp - typedAt < scanGap ? typed + e.key : e.key;
  typedAt = e.timeStamp;
  clearTimeout(keyTimer);
  if (typed.length > 1) return;
  const button = document.querySelector(`#bar [data-key="${CSS.escape(e.key.toLowerCase())}"]`);
  if (button) keyTimer = setTimeout(() => (button.dataset.do ? begin(button.dataset.do, true) : button.click()), 2 * scanGap);
}

export const actions = {
  face(f) { face = f; offer(f); undo(f.undo); },
  start(name, allowed, say, find) {
    station = name; may = allowed; note = say; at = find;
    for (const b of document.querySelectorAll("#bar [data-do], #bar [data-key]")) {
      if (b.dataset.do) b.addEventListener("click", () => begin(b.dataset.do));
      if (!b.dataset.key) continue;
      const dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = b.dataset.key;
      dd.textContent = b.textContent;
      mark(b);
      const pair = document.createElement("div"); // two columns, each pair together
      pair.append(dt, dd);
      at("keys").append(pair);
    }
    for (const d of document.querySelectorAll("dialog:not(#d-login, #d-people)")) {
      const form = d.querySelector("form");
      dialogs.start(d);
      form.addEventListener("submit", (e) => {
        const then = answer;
        answer = null;
        if (then && (!e.submitter || e.submitter.value === "yes")) then(form, e.submitter);
      });
      if (d.id === "d-disposition") wire(form);
      for (const b of d.querySelectorAll("[data-no]")) b.addEventListener("click", () => d.close());
      d.addEventListener("close", () => { if (!document.querySelector("dialog[open]")) at("more").focus(); });
      d.addEventListener("click", (e) => { if (e.target === d) d.close(); });
    }
    const part = at("d-part").querySelector("form");
    part.addEventListener("input", () => { part.querySelector(".yes").textContent = begins(part, face || {}); });
    document.querySelectorAll("#hands .now").forEach((b, i) => b.addEventListener("click", () => take(i)));
    at("more").addEventListener("click", () => (at("bar").hidden ? showBar() : hide()));
    at("less").addEventListener("click", hide);
    at("cautions").addEventListener("click", () => explain());
    for (const s of ["cut", "size", "what"]) at(s).addEventListener("click", () => (at("bar").hidden ? show(at("main").dataset.show === "words" ? "drawing" : at("main").dataset.show) : hide()));
    at("bar").addEventListener("focusin", showBar);
    addEventListener("keydown", key);
    onSignOut(note);
    startPeople((action) => post(station, action), () => people(station, note), allowed);
    // a keyboard on the screen leaves less of the page to see
    const seen = () => document.documentElement.style.setProperty("--seen", visualViewport.height + "px");
    visualViewport?.addEventListener("resize", seen);
  },
};
