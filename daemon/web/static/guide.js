// A step of the set-up: what is typed is kept as it is typed, and written once it is complete.
import { settings, set } from "./settings.js";
import { sounds } from "./sounds.js";
import { signIn, signInWith } from "./login.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const main = at("main"), form = at("guide"), { step, station } = main.dataset;
let hash = main.dataset.hash;
const touched = new Set(), names = () => [...new Set([...form.elements].map((e) => e.name).filter(Boolean))];
const note = (s) => { at("note").textContent = s || ""; };
const wait = (ms) => new Promise((done) => setTimeout(done, ms));

const passing = ["choice", "shown_text", "shown_unit"]; // is no answer of the step itself
// what is typed; a field that is hidden is not an answer
function text() {
  const all = {};
  for (const e of form.elements) {
    if (!e.name || passing.includes(e.name) || (e.type === "radio" || e.type === "checkbox") && !e.checked || e.closest("[data-off]")) continue;
    if (e.value) all[e.name] = e.value;
  }
  return all;
}

// who sets up, where the configuration names people
const who = () => Object.fromEntries([...form.querySelectorAll("[data-who]")].filter((e) => e.value).map((e) => [e.dataset.who, e.value]));

let asked = 0;
async function send(more = {}) {
  const n = ++asked;
  try {
    const r = await fetch(`/setup/${step}?lang=${language}&comma=${settings.comma}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(15000),
      body: JSON.stringify({ station, hash, ...who(), text: { ...text(), ...more.text }, save: !!more.save, confirm: !!more.confirm }),
    });
    if (r.status === 401) return (await signIn()) ? send(more) : null;
    const got = await r.json();
    if (n !== asked && !more.save) return null; // something was typed since
    if (!r.ok) { note(got.why?.text || t("script.not_taken")); return null; }
    note("");
    show(got);
    at("kept").textContent = more.save ? "" : t("script.kept");
    return got;
  } catch {
    note(t("script.unreached_typed"));
    if (!more.save) setTimeout(() => n === asked && send(more), 2000);
    return null;
  }
}

function show(got) {
  for (const name of names()) {
    const fault = (touched.has(name) && got.faults[name]) || "", x = at("x-" + name), e = at("e-" + name), input = at("f-" + name);
    if (x && x.textContent !== fault) x.textContent = fault;
    if (input) input.setAttribute("aria-invalid", fault ? "true" : "false");
    if (e && got.echo[name] !== undefined && !fault) e.textContent = got.echo[name];
  }
}

let timer = 0;
function keep() { clearTimeout(timer); timer = setTimeout(send, 400); }
form.addEventListener("input", (e) => { touched.add(e.target.name); meant([]); fit(); keep(); });

// unready reports whether there is nothing to save yet: the gauge is not known, or no job is.
const parts = [...form.querySelectorAll("[data-part]")];
const unready = () => parts.length > 0 && parts.find((p) => !p.hidden)?.dataset.part !== "about" || step === "job" && !form.job;

// meant asks whether what is unusual is meant.
function meant(asks) {
  at("asks")?.replaceChildren(...asks.map((s) => Object.assign(document.createElement("li"), { textContent: s })));
  at("meant").hidden = !asks.length;
  if (at("confirm")) { at("confirm").hidden = !asks.length; at("save").hidden = asks.length > 0 || unready(); }
  if (!asks.length) return;
  at("confirm").focus({ preventScroll: true });
  at("meant").scrollIntoView({ block: "center" }); // the button that confirms is at the foot, where it is always seen
}

// back waits until the program answers again: a new station or address has it start anew.
async function back(to) {
  for (const end = Date.now() + 30000; Date.now() < end; await wait(250)) {
    try {
      const r = await fetch("/setup/state", { signal: AbortSignal.timeout(4000), cache: "no-store" });
      if (r.ok && !(await r.json()).anew) break;
    } catch { /* it is not back yet */ }
  }
  location.assign(to);
}

async function save(more = {}) {
  clearTimeout(timer);
  for (const name of names()) touched.add(name);
  for (const b of form.querySelectorAll(".answer button")) b.disabled = true;
  const pass = at("f-passphrase")?.value;
  const got = await send({ save: true, ...more });
  for (const b of form.querySelectorAll(".answer button")) b.disabled = false;
  if (!got) return;
  if (got.stale) {
    note(got.why);
    await wait(2500);
    return location.reload();
  }
  if (got.why) return note(got.why);
  const first = Object.keys(got.faults)[0];
  if (first) {
    show(got);
    const e = at("f-" + first) || form.querySelector(`[name="${first}"]`);
    e?.closest("details")?.setAttribute("open", "");
    if (at("x-" + first)?.closest("[hidden]")) note(got.faults[first]);
    (at("x-" + first) || form).scrollIntoView({ block: "center" });
    return e?.focus({ preventScroll: true });
  }
  if (!got.done) return meant(got.ask || []);
  at("note").classList.add("well");
  note(t("script.written"));
  if (got.sign && pass) await signInWith(pass);
  back(got.next);
}

form.addEventListener("submit", (e) => { e.preventDefault(); save(); });
at("confirm")?.addEventListener("click", () => save({ confirm: true }));
at("later")?.addEventListener("click", () => save({ text: { later: "1" } }));

// fit shows only what is asked of this kind.
function off(e, is) { if (e) { e.hidden = is; e.toggleAttribute("data-off", is); } }
function fit() {
  const kind = form.kind?.value, way = form.way?.value || main.dataset.way;
  off(form.querySelector('[data-for="way"]'), main.dataset.way === "asked");
  off(form.querySelector('[data-for="two-point"]'), kind !== "two-point");
  off(form.querySelector('[data-for="other"]'), form.tip?.value !== "other");
  off(form.querySelector('[data-for="turning"]'), kind !== "two-point" || way === "button");
  off(form.querySelector('[data-for="pedal"]'), !form.pedal?.value);
}

// the gauge: its line, then how it talks, then what only a person knows
function part(name) {
  for (const p of parts) p.hidden = p.dataset.part !== name;
  at("save").hidden = unready();
}
if (parts.length) {
  part(parts.find((p) => !p.hidden).dataset.part);
  at("again").addEventListener("click", () => { part("port"); document.dispatchEvent(new CustomEvent("again")); });
  document.addEventListener("ports", () => part("port"));
  document.addEventListener("listens", () => { part("listen"); keep(); });
  document.addEventListener("heard", (e) => { // it is known for sure, and the draft keeps it
    main.dataset.way = e.detail.kind;
    for (const way of form.way) way.checked = way.value === e.detail.kind;
    keep();
  });
  document.addEventListener("known", async () => {
    clearTimeout(timer);
    const got = await send();
    if (!got) return;
    at("known").textContent = got.known || "";
    part("about");
    fit();
  });
}

// sound
at("play")?.addEventListener("click", () => { if (!+settings.volume) set({ volume: "0.6" }); sounds.taken(); setTimeout(() => sounds.state("safe", ""), 400); });
for (const e of form.querySelectorAll('[name="heard_it"]')) e.addEventListener("change", () => {
  at("heard-help").textContent = e.value === "soft" ? t("script.louder") : "";
  set({ volume: e.value === "silent" ? "0" : e.value === "soft" ? "1" : "0.6" });
});

// a passphrase that is typed can be looked at
at("show")?.addEventListener("change", (e) => { at("f-passphrase").type = e.target.checked ? "text" : "password"; });

// the zero, and the first reading: ticked off as they come
async function watch() {
  for (;;) {
    try {
      const b = await (await fetch(`/station/${encodeURIComponent(station)}/bore`, { cache: "no-store", signal: AbortSignal.timeout(5000) })).json();
      const done = { master: b.master?.ok, part: !!b.part, reading: !!b.last && !!b.master?.ok };
      for (const e of at("todo").children) e.dataset.is = done[e.dataset.todo] ? "done" : "open";
    } catch { /* it comes again */ }
    await wait(2000);
  }
}
if (at("todo")) watch();
fit();
