// The page of records and exports: long work, with how far it has come.
import { signIn } from "./login.js";
import "./settings.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const form = at("order"), kept = "fairbore.made";
const every = 500; // ms between questions how far it is
let id = sessionStorage.getItem(kept) || "", state = "";

// post sends an order and returns the answer; where a passphrase is asked for, it asks.
async function post(path, body) {
  const r = await fetch(`${path}?lang=${language}`, {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(15000),
  });
  if (r.status === 401) return (await signIn()) ? post(path, body) : null;
  return { status: r.status, ...await r.json() };
}

// fitting shows the fields that go with what is chosen.
function fitting() {
  const what = form.what.selectedOptions[0], formats = what.dataset.formats.trim().split(" "), by = what.dataset.by.split(" ");
  for (const o of form.format.options) o.hidden = o.disabled = !formats.includes(o.value);
  if (!formats.includes(form.format.value)) form.format.value = formats[0];
  for (const name of ["job", "part", "station", "from", "to"]) field(name, by.includes(name));
  field("format", formats.length > 1);
  field("paper", form.format.value === "pdf");
  field("lang", ["pdf", "html", "text"].includes(form.format.value) && by.length > 1);
  // A record of a job needs one: the newest, unless another is chosen. The part may be left open.
  const needs = ["lot", "first-article"].includes(what.value), all = form.job.options[0];
  all.hidden = all.disabled = needs && form.job.options.length > 1;
  if (all.disabled && !form.job.value) form.job.selectedIndex = 1;
  form.part.options[0].textContent = form.part.dataset[{ part: "newest", "first-article": "first" }[what.value] || "all"];
  parts();
}

// parts lists the parts of the job and station that are chosen.
let listed = "";
async function parts() {
  const of = new URLSearchParams({ job: form.job.value, station: form.station.disabled ? "" : form.station.value, lang: language }).toString();
  if (of === listed || form.part.disabled) return;
  listed = of;
  try {
    const r = await fetch(`/records/parts?${of}`, { signal: AbortSignal.timeout(15000) });
    const list = r.ok ? await r.json() : [], chosen = form.part.value;
    if (of !== listed) return; // another was chosen meanwhile
    const options = list.map((p) => Object.assign(document.createElement("option"), { value: p.part, textContent: p.text }));
    if (chosen && !list.some((p) => p.part === chosen) && !form.job.dataset.changed) options.unshift(new Option(chosen, chosen));
    form.part.replaceChildren(form.part.options[0], ...options);
    form.part.value = options.some((o) => o.value === chosen) ? chosen : "";
  } catch {
    listed = ""; // the list stays as it is; the next choice tries again
  }
}

function field(name, wanted) {
  form.elements[name].closest("label").hidden = !wanted;
  form.elements[name].disabled = !wanted;
}

const tones = { making: "act", made: "safe", failed: "watch", stopped: "none" };

function show(p) {
  state = p.state;
  const tone = tones[p.state], word = t("script.made." + p.state);
  at("making").hidden = false;
  at("shape").dataset.tone = tone;
  at("shape").querySelector("use").setAttribute("href", "#s-" + tone);
  const said = p.name ? t("script.made_of", p.name, word) : word;
  if (at("came").textContent !== said) at("came").textContent = said;
  at("why").textContent = p.why || "";
  at("text").hidden = !p.text;
  at("text").textContent = p.text || "";
  const percent = p.total ? Math.floor(100 * p.done / p.total) : 0;
  if (p.total) at("far").value = percent;
  else at("far").removeAttribute("value");
  at("percent").textContent = p.state === "making" && p.total ? `${percent} %` : p.size ? bytes(p.size) : "";
  at("far").hidden = p.state !== "making";
  at("stop").hidden = p.state !== "making";
  at("fetch").hidden = p.state !== "made";
  if (p.state === "made") at("fetch").href = `/records/${id}/file`;
  at("make").disabled = p.state === "making";
}

const bytes = (n) => n < 1e4 ? t("script.bytes", n) : n < 1e6 ? `${Math.round(n / 1e3)} kB` : `${new Intl.NumberFormat(language, { minimumFractionDigits: 1, maximumFractionDigits: 1 }).format(n / 1e6)} MB`;

function trouble(why) {
  show({ state: "failed", why });
}

let timer = 0;
async function follow() {
  clearTimeout(timer);
  if (!id) return;
  try {
    const r = await fetch(`/records/${id}?lang=${language}`, { signal: AbortSignal.timeout(15000) });
    if (r.status === 404) { forget(); if (state === "making") trouble(t("script.gone")); return; }
    show(await r.json());
  } catch {
    at("percent").textContent = t("script.unreached_trying");
  }
  if (state === "making") timer = setTimeout(follow, every);
}

function forget() {
  id = "";
  sessionStorage.removeItem(kept);
}

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  at("make").disabled = true;
  try {
    const got = await post("/records", Object.fromEntries(new FormData(form)));
    if (got && got.status === 202) {
      id = got.id;
      sessionStorage.setItem(kept, id);
      show(got);
      at("stop").focus();
      timer = setTimeout(follow, every);
      return;
    }
    if (got) trouble(got.why?.text);
    if (got && got.status === 409) { forget(); at("stop").hidden = false; } // somebody else's
  } catch {
    trouble(t("script.unreached"));
  }
  at("make").disabled = false;
});

at("stop").addEventListener("click", async () => {
  try {
    const got = await post("/records/stop", { id });
    if (got && !got.done) trouble(got.why?.text);
    else if (got && !id) { show({ state: "stopped" }); at("make").focus(); }
    else follow();
  } catch {
    at("why").textContent = t("script.unreached");
  }
});

for (const name of ["job", "station"]) form[name].addEventListener("change", () => { form[name].dataset.changed = "yes"; parts(); });
form.what.addEventListener("change", fitting);
form.format.addEventListener("change", fitting);
fitting();
follow();
