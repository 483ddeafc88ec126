// The page of a new job: what is typed is checked as it is typed, and drawn.
import { settings } from "./settings.js";
import { signIn } from "./login.js";
import { id, post, people } from "./post.js";
import { startPeople, whoWorks } from "./people.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const form = at("job"), { station, setup } = at("main").dataset; // setup: what is typed is kept as a draft, and the set-up goes on
const address = `/station/${encodeURIComponent(station)}/job`;
const touched = new Set(); // a field that nobody came to yet is not found fault with
const names = [...new Set([...form.elements].map((e) => e.name).filter(Boolean))];

const text = () => Object.fromEntries([...new FormData(form)].map(([k, v]) => [k, String(v)]));
// alone are the fields that what is usual fills in by itself, as long as nobody has filled them in: what
// is there is in view, and one touch changes it.
const alone = { orientations: 1, ring: 1 }; // the most that may be usual there; a second ring is asked about
const filled = {};

let asked = 0;
async function send(more) {
  const n = ++asked, box = at("drawing").getBoundingClientRect();
  const q = new URLSearchParams({ w: Math.max(200, Math.round(box.width - 26)), h: Math.round(Math.max(180, 0.42 * box.width)), unit: settings.unit, comma: settings.comma, lang: language });
  try {
    const r = await fetch(`${address}?${q}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ text: text(), setup: setup !== undefined, ...more }), signal: AbortSignal.timeout(8000),
    });
    if (r.status === 401) return (await signIn()) ? send(more) : null;
    const got = await r.json();
    if (n !== asked) return null; // something was typed since
    if (!r.ok) { at("note").textContent = got.why?.text || t("script.not_taken"); return null; }
    at("note").textContent = "";
    show(got);
    return fillIn(got) ? send(more) : got;
  } catch {
    at("note").textContent = t("script.unreached_typed");
    if (!more?.save) setTimeout(() => n === asked && send(more), 2000);
    return null;
  }
}

function show(got) {
  for (const name of names) {
    const fault = (touched.has(name) && got.faults[name]) || "", e = at("e-" + name), x = at("x-" + name), input = at("f-" + name);
    if (x && x.textContent !== fault) x.textContent = fault;
    if (input) input.setAttribute("aria-invalid", fault ? "true" : "false");
    if (e && name !== "unit") echo(e, name, fault ? "" : got.echo[name] || "", got.usual[name]);
  }
  if (got.cut) {
    const svg = new DOMParser().parseFromString(got.cut, "image/svg+xml").documentElement;
    at("drawing").replaceChildren(document.importNode(svg, true));
  }
  at("plan").textContent = got.plan || "";
  at("asks").replaceChildren(...(got.ask || []).map((s) => Object.assign(document.createElement("li"), { textContent: s })));
}

// echo says how a field was understood, and offers what is usual there while nobody has filled it in.
function echo(e, name, s, usual = []) {
  const is = form.elements[name].value, offers = !is || is === filled[name] ? usual.filter((u) => u !== is) : [];
  const key = JSON.stringify([s, offers]);
  if (e.dataset.key === key) return;
  e.dataset.key = key;
  e.replaceChildren(s, ...offers.map((u) => {
    const b = Object.assign(document.createElement("button"), { type: "button", textContent: t("script.use", u) });
    b.addEventListener("click", () => { form.elements[name].value = u; delete filled[name]; touched.add(name); send(); });
    return b;
  }));
}

// fillIn fills in what is usual, and reports whether it did.
function fillIn(got) {
  let did = false;
  for (const name in alone) {
    const e = form.elements[name], usual = got.usual[name] || [];
    const use = name === "ring" && usual.length > alone.ring ? "" : usual[0] || "";
    if (touched.has(name) || e === document.activeElement || e.value && e.value !== filled[name] || e.value === use) continue;
    e.value = filled[name] = use;
    did = true;
  }
  return did;
}

let timer = 0;
form.addEventListener("input", (e) => {
  touched.add(e.target.name);
  clearTimeout(timer);
  timer = setTimeout(send, 250);
});
// Enter goes to the next field that is empty, and with none left saves.
form.addEventListener("keydown", (e) => {
  if (e.key !== "Enter" || !e.target.matches("input:not([type=radio], [type=checkbox])")) return;
  e.preventDefault();
  const all = [...form.querySelectorAll("input:not([type=radio], [type=checkbox]), select")].filter((x) => x.getClientRects().length);
  const { low, high, class: of } = form.elements; // limits or a class
  const spare = low.value && high.value ? [of] : of.value ? [low, high] : [];
  const next = all.slice(all.indexOf(e.target) + 1).find((x) => !x.value && x.name && !spare.includes(x));
  (next || at("save")).focus();
});
form.addEventListener("focusout", (e) => { if (e.target.name && e.target.value) touched.add(e.target.name); });

async function save(confirm, action = id()) {
  clearTimeout(timer);
  for (const name of names) touched.add(name);
  const got = await send({ id: action, save: true, confirm });
  if (!got) return;
  const first = names.find((name) => got.faults[name]);
  if (first) {
    at("note").textContent = t("script.not_saved");
    const folded = form.elements[first].closest("details");
    if (folded) folded.open = true;
    form.elements[first].focus();
    return;
  }
  if (got.reply.done) { location.assign(setup === undefined ? `/station/${encodeURIComponent(station)}` : `/setup/contacts?station=${encodeURIComponent(station)}`); return; }
  if (got.reply.pending) { // not on disk yet: say so until the same action is
    at("note").textContent = got.reply.why.text;
    setTimeout(() => save(confirm, action), 1000);
    return;
  }
  if (got.reply.why?.code === "action.person.needed" && at("d-people")) {
    if ((await whoWorks())?.reply.done) save(confirm);
    return;
  }
  if (!got.reply.ask) { at("note").textContent = got.reply.why.text; return; }
  at("ask-what").textContent = got.reply.why.text;
  at("d-ask").showModal();
}

form.addEventListener("submit", (e) => e.preventDefault());
at("save").addEventListener("click", () => save(false));
at("d-ask").querySelector("form").addEventListener("submit", () => save(true));
at("d-ask").querySelector("[data-no]").addEventListener("click", () => at("d-ask").close());
startPeople((a) => post(station, a), () => people(station, (s) => { at("note").textContent = s; }), true);
if (at("from")) at("from").addEventListener("change", (e) => location.assign(`${address}?from=${encodeURIComponent(e.target.value)}${setup === undefined ? "" : "&setup=1"}`));
send();
form.elements.id.focus({ preventScroll: true });
