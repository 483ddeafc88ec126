// What the operator may do. A button or key opens a question; its answer is sent,
// and where the tool asks whether it is meant, that is asked too.
import { settings, set } from "./settings.js";
import { signIn, onSignOut } from "./login.js";
import { startPeople, whoWorks, whoSigns } from "./people.js";
import { wire, open, action } from "./outcome.js";
import { t, language } from "./words.js";

let station = "", may = false, note = null, face = null, at = null;
const barFor = 15000; // ms the actions stay without a touch
let barTimer = 0;

// id names an action, so that one sent twice is done once. randomUUID wants TLS.
const id = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");

// post posts an action and resolves to its reply; what hinders it is a reply too. asked: it was
// sent before, and was not recorded yet.
async function post(action, asked) {
  action.id ??= id();
  const no = (text) => ({ done: false, why: { text } });
  try {
    const r = await fetch(`/station/${encodeURIComponent(station)}/do?lang=${language}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(action), signal: AbortSignal.timeout(8000),
    });
    if (r.status === 401) return (await signIn()) ? post(action, asked) : no(t("script.needs_passphrase"));
    return { pending: r.status === 202, ...(await r.json()) };
  } catch {
    return no(asked ? t("script.not_known") : t("script.not_sent"));
  }
}

// people fetches who may work here, null if that is not told.
async function people() {
  try {
    const r = await fetch(`/station/${encodeURIComponent(station)}/people?lang=${language}`, { signal: AbortSignal.timeout(8000) });
    if (r.status === 401) return (await signIn()) ? people() : note(t("script.needs_passphrase"), 6000);
    return r.ok ? await r.json() : note((await r.json()).why.text, 8000);
  } catch {
    return note(t("script.unreached"), 8000);
  }
}

// send sends an action. It asks for the person whom the action wants, and sends it again.
async function send(action, asked) {
  const reply = await post(action, asked), code = reply.why?.code || "";
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
  if (reply.done) return note(t("script.done"), 1200);
  if (!reply.ask) return note(reply.why?.text || t("script.not_done"), 8000);
  at("ask-what").textContent = reply.why.text;
  ask("ask", () => send({ ...action, confirm: true }));
}

let answer = null;
function ask(name, then) {
  const d = at("d-" + name);
  for (const open of document.querySelectorAll("dialog[open]")) open.close();
  answer = then;
  const form = d.querySelector("form");
  if (name !== "settings") form.reset();
  fill(name, form);
  hide();
  d.showModal();
  (d.querySelector("[autofocus]") || d.querySelector(name === "study" && face?.study ? ".yes" : "input:not([type=radio], [type=checkbox]):enabled, select:enabled, .yes") || d.querySelector("button")).focus();
}

// fill puts what is known now into a question.
function fill(name, form) {
  const f = face || {};
  const option = (c) => new Option(c.text, c.no);
  switch (name) {
    case "restore": form.reading.replaceChildren(...((f.voids || []).length ? f.voids.map(option) : [new Option(t("script.none_void"), "")])); break;
    case "void": form.reading.replaceChildren(...(f.asked || []).map(option), ...(f.readings || []).map(option).reverse()); break;
    case "keep": form.reading.replaceChildren(...((f.asked || []).length ? f.asked.map(option) : [new Option(t("script.none_asked"), "")])); break;
    case "position": at("places").replaceChildren(...(f.places || []).map((p, i) => {
      const label = document.createElement("label"), input = document.createElement("input");
      Object.assign(input, { type: "radio", name: "place", value: i, checked: i === 0 });
      label.append(input, " " + p.text);
      return label;
    })); break;
    case "master": case "check": form.ring.value = f.ring || ""; if (form.gain) form.gain.checked = false; break;
    case "study": turns(form, f.study); break;
    case "record": at("take-what").textContent = taking(at("shows").textContent, f.next); break;
    case "accept": at("accept-what").textContent = f.sizes || t("script.nothing_gauged"); break;
    case "disposition": open(form, f.result ? f.result.text : f.sizes || t("script.nothing_gauged"), f.result); break;
    case "settings": for (const k in settings) { const e = form[k]; if (e) e.type === "checkbox" ? (e.checked = !!settings[k]) : (e.value = settings[k]); } break;
  }
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
const number = (form, name) => { const v = value(form, name); return v ? +v : undefined; };
const reason = (form) => value(form, "reason") || (form.quick && form.quick.value);

// made is the action that the answers to a question make.
const made = {
  part: (f) => ({ part: value(f, "part"), order: value(f, "order"), heat: value(f, "heat") }),
  round: (f) => ({ strokes: number(f, "strokes"), seconds: number(f, "seconds"), dressed: f.dressed.checked || undefined }),
  record: () => ({}),
  void: (f) => ({ reading: number(f, "reading"), reason: reason(f) }),
  position: (f) => {
    const p = face.places[+f.place.value];
    return { do: f.how.value, position: { depth_mm: p.depth_mm, angle_deg: p.angle_deg } };
  },
  master: (f) => ({ ring: value(f, "ring"), gain: f.gain.checked || undefined }),
  check: (f) => (f.reread.checked ? { do: "reread" } : { do: f.speeds.checked ? "speeds" : "check", ring: value(f, "ring") }),
  leave: () => ({}),
  restore: (f) => ({ reading: number(f, "reading") }),
  keep: (f) => ({ reading: number(f, "reading") }),
  bumped: (f) => ({ reason: reason(f) }),
  dressed: (f) => ({ reason: reason(f) }),
  note: (f) => ({ reason: reason(f) }),
  temperature: (f) => (f.cooldown.checked ? { do: "cooldown" } : { part_cel: number(f, "part_cel"), ring_cel: number(f, "ring_cel") }),
  study: (f) => {
    if (at("study-turn").disabled) return { appraisers: value(f, "appraisers").split(/[,;]/).map((s) => s.trim()).filter(Boolean), parts: number(f, "parts"), trials: number(f, "trials"), part: value(f, "first") };
    return f.over.checked ? { over: true } : { appraiser: f.appraiser.value, part: value(f, "part"), trial: number(f, "trial") };
  },
  job: (f) => ({ job: value(f, "job") }),
  accept: () => ({}),
  disposition: (f) => action(f, face.result),
};

function begin(name) {
  if (name === "view") return view();
  if (name === "by") { // the approach to size: by round, by honing, by the clock, and again
    set({ by: { "": "honing", honing: "clock" }[settings.by] || "" });
    if (at("main").dataset.show !== "rounds" && !at("approach").getClientRects().length) view();
    return hide();
  }
  if (name === "settings") return ask(name, (f) => set({
    unit: f.unit.value, comma: f.comma.value, theme: f.theme.value, volume: f.volume.value,
    rise: f.rise.checked ? "1" : "", speak: f.speak.checked ? "1" : "", awake: f.awake.checked ? "1" : "",
  }));
  if (name === "keys") return ask(name, () => {});
  if ((name === "master" || name === "check") && face && face.reading_ring) name = "leave";
  if (name === "accept" && face && face.result) name = "disposition"; // another result of the part
  const kind = name;
  ask(kind, (f) => send({ do: kind, ...made[kind](f) }));
}

// view changes between the bore and the way to its size.
function view() {
  const main = at("main"), rounds = main.dataset.show !== "rounds";
  main.dataset.show = rounds ? "rounds" : "bore";
  const b = document.querySelector('#bar [data-do="view"]');
  b.setAttribute("aria-pressed", rounds);
  b.textContent = rounds ? t("script.bore") : t("script.rounds");
  hide();
}

// first is the first step of the advice, as long as it asks a person for an action.
const first = (f) => (f.buttons || []).find((b) => b.first);

// due offers the first step without opening the other actions.
function due(f) {
  const b = at("due"), of = first(f);
  if (!b) return;
  b.hidden = !of;
  if (of) b.textContent = of.text;
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
    begin("part");
    at("d-part").querySelector("input").value = serial;
    return;
  }
  if (e.key.length !== 1 || (e.key === " " && e.target.closest("button, a"))) return;
  typed = e.timeStamp - typedAt < scanGap ? typed + e.key : e.key;
  typedAt = e.timeStamp;
  clearTimeout(keyTimer);
  if (typed.length > 1) return;
  const button = document.querySelector(`#bar [data-key="${CSS.escape(e.key.toLowerCase())}"]`);
  if (button) keyTimer = setTimeout(() => (button.dataset.do ? begin(button.dataset.do) : button.click()), 2 * scanGap);
}

export const actions = {
  face(f) { face = f; due(f); },
  start(name, allowed, say, find) {
    station = name; may = allowed; note = say; at = find;
    for (const b of document.querySelectorAll("#bar [data-key]")) {
      if (b.dataset.do) b.addEventListener("click", () => begin(b.dataset.do));
      const dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = b.dataset.key;
      dd.textContent = b.textContent;
      const pair = document.createElement("div"); // two columns, each pair together
      pair.append(dt, dd);
      at("keys").append(pair);
    }
    for (const d of document.querySelectorAll("dialog:not(#d-login, #d-people)")) {
      const form = d.querySelector("form");
      form.addEventListener("submit", (e) => {
        const then = answer;
        answer = null;
        if (then && (!e.submitter || e.submitter.value === "yes")) then(form);
      });
      if (d.id === "d-disposition") wire(form);
      for (const b of d.querySelectorAll("[data-no]")) b.addEventListener("click", () => d.close());
      d.addEventListener("close", () => { if (!document.querySelector("dialog[open]")) at("more").focus(); });
      d.addEventListener("click", (e) => { if (e.target === d) d.close(); });
    }
    if (at("due")) at("due").addEventListener("click", () => begin(first(face).do));
    at("more").addEventListener("click", () => (at("bar").hidden ? showBar() : hide()));
    for (const s of ["cut", "size", "what"]) at(s).addEventListener("pointerup", showBar);
    at("bar").addEventListener("focusin", showBar);
    addEventListener("keydown", key);
    onSignOut(note);
    startPeople(post, people, allowed);
  },
};
