// The wall of stations: a tile each, set from what the server sends ready made.
import { settings, simulates } from "./settings.js";
import { t, language } from "./words.js";

const staleAfter = 5000; // ms without a beat: what is shown may be old
const faces = new Map();
const at = (id) => document.getElementById(id);
let heard = Date.now(), version = null, gone = {}, unpassed = "";

const stale = () => Date.now() - heard > staleAfter;

function show(name) {
  const e = document.getElementById("tile-" + name), of = faces.get(name);
  if (!e) return;
  const f = of && of.face;
  const lost = stale() ? t("script.no_program") : (gone || {})[name] || (f && f.away ? f.why : "");
  const set = (part, s) => { const p = e.querySelector(part); if (p.textContent !== s) p.textContent = s; };
  e.classList.toggle("gone", !!lost || !f);
  const tone = lost || !f ? "none" : f.tone;
  e.dataset.tone = tone;
  e.querySelector("use").setAttribute("href", "#s-" + tone);
  set(".state span", lost || !f ? t("away.state") : f.state);
  const figure = e.querySelector(".figure");
  figure.replaceChildren();
  if (lost) figure.append(Object.assign(document.createElement("b"), { textContent: t("away.big") }));
  else if (f) figure.append(f.figure ? `${f.least || ""}${f.figure} ` : "", Object.assign(document.createElement(f.figure ? "small" : "b"), { textContent: f.figure ? f.unit : f.big }));
  set(".work", f ? [f.simulated && t("script.simulated"), f.job, f.part && t("script.part", f.part), f.round && t("script.round", f.round)].filter(Boolean).join(" · ") : "");
  set(".wait", lost || (f && f.waiting) || "");
}

function tile(now) {
  faces.set(now.station, now);
  simulates([...faces.values()].some((x) => x.face.simulated));
  const e = document.getElementById("tile-" + now.station);
  if (!e) return location.reload(); // a station was added
  const cut = e.querySelector(".cut");
  cut.replaceChildren();
  if (now.cut) cut.append(document.importNode(new DOMParser().parseFromString(now.cut, "image/svg+xml").documentElement, true));
  show(now.station);
  record();
}

// record says, as the page of a station does, that readings are recorded here while
// the broker is away, and what is to be passed on to it: nothing where that is not known,
// or not so.
function record() {
  const well = unpassed && !stale() && faces.size && [...faces.values()].every((x) => x.face.record.tone !== "danger");
  const said = well ? t("script.broker_away") : "";
  if (at("said").textContent !== said) at("said").textContent = said;
  at("unpassed").hidden = !well;
  at("unpassed").querySelector("small").textContent = "· " + unpassed;
}

function all() {
  for (const e of document.querySelectorAll(".tile")) show(e.dataset.station);
  record();
}

let stream = null;
function connect() {
  const box = document.querySelector(".tile .cut")?.getBoundingClientRect() ?? { width: 400, height: 120 };
  const q = new URLSearchParams({ w: Math.round(box.width), h: Math.round(box.height), unit: settings.unit, comma: settings.comma, lang: language });
  const url = "/wall/view?" + q;
  if (stream && stream.url.endsWith(url) && stream.readyState !== 2) return;
  if (stream) stream.close();
  stream = new EventSource(url);
  const on = (kind, f) => stream.addEventListener(kind, (e) => { heard = Date.now(); f(JSON.parse(e.data)); });
  on("hello", (h) => {
    if (version && version !== h.version) location.reload();
    version = h.version;
  });
  on("beat", (g) => { gone = g; all(); });
  on("passing", (s) => { unpassed = s; record(); });
  on("tile", tile);
}
setInterval(() => {
  if (stale()) all();
  if (stream.readyState === 2) connect();
}, 1000);
connect();
// The drawings are made to the room that words leave, so they are asked for again when that changes.
let resized = 0;
const sized = new ResizeObserver(() => { clearTimeout(resized); resized = setTimeout(connect, 200); });
const first = document.querySelector(".tile .cut");
if (first) sized.observe(first);
