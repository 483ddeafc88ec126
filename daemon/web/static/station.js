// The page of a station. The server sends words, figures and drawings ready
// made; this sets them, moves the live tips, and asks before it acts.
import { settings, onSettings, simulates } from "./settings.js";
import { sounds } from "./sounds.js";
import { actions } from "./actions.js";
import { onWorking } from "./people.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const main = at("main");
const station = main.dataset.station;
const staleAfter = 5000; // ms without a beat: what is shown may be old
const lowest = 64; // px: a lower drawing shows nothing
const lateFor = 3000; // ms that a stream left for another may still tell what happened before that
// stream is shown; newest is it too, or soon will be; left are those before it.
let heard = 0, face = null, unpassed = "", version = null, stream = null, newest = null, left = [], cut = null;

function text(id, s) {
  const e = at(id);
  if (e.textContent !== (s || "")) e.textContent = s || "";
}

// write sets words of which some stay on one line: a number with its unit, the name of a ring.
const units = [t("unit.tenths"), t("unit.millionths"), "[%°µ\\p{L}]{1,8}"].join("|"); // or any short word
const whole = new RegExp(`\\b[A-Z]+-[0-9]\\S*|(?:±\\s)?[0-9][0-9.,|\\u202f]* (?:${units})(?!\\p{L})(?: / [0-9]+°)?[.,:;]?`, "gu");
function write(e, s) {
  if (e.textContent === s) return;
  let from = 0;
  const parts = [];
  for (const m of s.matchAll(whole)) {
    parts.push(s.slice(from, m.index), Object.assign(document.createElement("span"), { className: "whole", textContent: m[0] }));
    from = m.index + m[0].length;
  }
  e.replaceChildren(...parts, s.slice(from));
}

// sentences are the sentences of a text. The last one of an advice says what to do: where not all
// can be large, that one is.
const cutter = new Intl.Segmenter(language, { granularity: "sentence" });
const sentences = (s) => [...cutter.segment(s || "")].map((x) => x.segment);

function say(id, s) {
  const e = at(id), parts = sentences(s);
  if (e.childNodes.length !== e.children.length) e.replaceChildren(); // what came with the page
  while (e.children.length > parts.length) e.lastChild.remove();
  parts.forEach((part, i) => write(e.children[i] || e.appendChild(document.createElement("span")), part));
}

function sign(id, s) {
  const e = at(id);
  e.dataset.tone = s.tone;
  e.querySelector("use").setAttribute("href", "#s-" + s.tone);
  e.querySelector("span").textContent = s.text;
  e.querySelector("small").textContent = s.more ? "· " + s.more : "";
}

// record says whether it is recorded, and what waits to be passed on to the broker:
// that is no warning, as what is recorded is safe.
function record() {
  if (!face) return;
  const well = face.record.tone === "safe" && unpassed;
  sign("record", well ? { tone: "safe", text: t("script.recorded_here"), more: unpassed } : face.record);
}

function passing(s) {
  if (s && !unpassed) text("said", t("script.broker_away"));
  unpassed = s;
  record();
}

function show(f) {
  const before = face;
  face = f;
  simulates(f.simulated);
  main.dataset.tone = f.tone;
  main.classList.toggle("away", !!f.away);
  text("work", [f.job && `${f.job} ${f.title}`, f.part && t("script.part", f.part), f.round && t("script.round", f.round)].filter(Boolean).join(" · "));
  text("number", f.figure);
  main.style.setProperty("--n", Math.max(1.2, ems(f.figure || "", -.035)));
  main.dataset.long = f.figure && f.figure.length > 4 ? "yes" : "no"; // the room stands under it then
  main.dataset.turning = f.turning ? "yes" : "no";
  text("least", f.least);
  text("unit", f.unit);
  text("word", f.big);
  wide(f.big, f.room);
  main.dataset.same = f.same ? "yes" : "no";
  text("caption", f.caption);
  text("other", f.other);
  text("state", f.state);
  text("roomnumber", f.room);
  text("roomword", f.room_word);
  text("roomunit", f.room_unit);
  say("advice", f.advice);
  say("reason", f.refused || f.reason);
  text("next", f.next ? t("script.next", f.next) : "");
  text("last", f.last);
  fit();
  shape(f.tone);
  cautions(f.cautions || []);
  sign("master", f.master);
  sign("gauge", f.gauge);
  record();
  if (!before || before.is !== f.is || before.big !== f.big) text("said", [f.state, f.big, f.advice].filter(Boolean).join(". "));
  if (before && before.is !== f.is) sounds.state(f.tone, before.tone);
  actions.face(f);
}

// cautions lists those of the machine, and that nothing can be heard yet.
let silent = false, cautioned = [];
function cautions(now = cautioned) {
  cautioned = now;
  const all = [...now, ...(silent ? [t("script.silent")] : [])];
  at("cautions").replaceChildren(...all.map((c) => Object.assign(document.createElement("li"), { textContent: c })));
}

// shape shows the shape of a tone, beside the word of the state and the large words.
function shape(tone) {
  for (const id of ["plate", "big"]) at(id).querySelector("use").setAttribute("href", "#s-" + tone);
}

// ems is how wide bold words are, in heights of their type.
const ruler = document.createElement("canvas").getContext("2d");
function ems(words, spacing) {
  ruler.font = "700 100px " + getComputedStyle(main).fontFamily;
  return ruler.measureText(words).width / 100 + spacing * words.length;
}

// wide tells the style sheet how wide the longer of the lines is that the large
// words take: one over a room or on a panel, else at most two.
const panel = matchMedia("(min-width: 701px) and (min-height: 431px) and (max-height: 820px)");
function wide(big, room) {
  const words = (big || "").toUpperCase().split(" ");
  const line = (from, to) => ems(words.slice(from, to).join(" "), -.02);
  let n = line(0);
  if (!room && !panel.matches) for (let i = 1; i < words.length; i++) n = Math.min(n, Math.max(line(0, i), line(i)));
  main.style.setProperty("--w", Math.max(2.5, n));
}

// fit makes room for the words, until all that is shown of them is seen: the drawing has given way
// before by the style sheet. Then the reason ends with a sentence before, down to the first. Then
// all but the last sentence of the advice become smaller, then the reason, the advice, and last the
// reason goes. It can be read in whole where the drawing is shown instead.
function fit() {
  const e = at("what"), reason = [...at("reason").children];
  const full = () => e.scrollHeight > e.clientHeight + 1;
  e.dataset.fit = 0;
  for (const s of reason) s.hidden = false;
  for (let i = reason.length - 1; i > 0 && full(); i--) reason[i].hidden = true;
  for (let n = 1; n < 9 && full(); n++) e.dataset.fit = n;
}

function picture(into, svg) {
  if (!svg) { into.replaceChildren(); return null; }
  const root = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  into.replaceChildren(document.importNode(root, true));
  return into.firstElementChild;
}

function draw(d) {
  const svg = picture(at("cut"), d.cut);
  picture(at("rounds"), d.approach);
  picture(at("sections"), d.sections);
  cut = svg && svg.dataset.x >= 0 ? { up: svg.querySelector(".tips.up"), down: svg.querySelector(".tips.down"), ...svg.dataset } : null;
  if (lastLive) live(lastLive);
}

// hand shows a mark for each pass through square that counts, and for each that is still
// wanted, and what the hand should do.
let handed = "";
function hand({ passes = 0, marks = 0, count = "", hint = "" }) {
  const key = [passes, marks, count, hint].join();
  if (key === handed) return;
  handed = key;
  at("marks").innerHTML = Array.from({ length: marks }, (_, i) => `<svg><use href="#s-${i < passes ? "pass" : "due"}"/></svg>`).join("");
  text("count", count);
  text("hint", hint);
  fit();
}

let lastLive = null;
function live(l) {
  lastLive = l;
  text("shows", l.text);
  hand(l);
  sounds.passes(l.passes);
  at("live").dataset.in = l.in ? "yes" : "no";
  if (!cut || !cut.up) return;
  const low = +cut.low, h = low + l.um * cut.scale;
  const off = Math.max(+cut.core, Math.min(+cut.outer, h)) - low;
  cut.up.setAttribute("transform", `translate(0 ${-off})`);
  cut.down.setAttribute("transform", `translate(0 ${off})`);
  const out = !l.in || h !== Math.max(+cut.core, Math.min(+cut.outer, h));
  cut.up.classList.toggle("out", out);
  cut.down.classList.toggle("out", out);
  sounds.near(l, face);
}

// old is what must not stand on the page once nothing is known any more.
const old = ["number", "least", "unit", "caption", "other", "roomnumber", "roomword", "roomunit", "next", "last"];

function linkIs(state) {
  if (main.dataset.link === state) return;
  main.dataset.link = state;
  if (state === "lost") {
    main.dataset.tone = "none";
    main.dataset.turning = main.dataset.long = "no";
    for (const id of old) text(id, "");
    text("shows", "–");
    hand({});
    lastLive = null;
    for (const id of ["master", "gauge", "record"]) sign(id, { tone: "none", text: t("away." + id) });
    text("word", t("away.big"));
    wide(t("away.big"));
    main.dataset.same = "yes";
    text("state", t("away.state"));
    say("advice", t("away.advice"));
    say("reason", t("script.trying"));
    actions.face({});
    fit();
    shape("none");
    text("said", t("script.lost"));
    sounds.attention();
    face = null;
  }
}

const told = []; // what happened last, by its number in the record
function happened(h) {
  if (told.includes(h.seq)) return; // two streams told of it
  if (told.push(h.seq) > 32) told.shift();
  switch (h.kind) {
    case "reading":
      if (!h.good) { sounds.refused(); note(h.text, 6000); break; } // it waits for an answer
      sounds.taken(); sounds.speak(h.text); note(t("script.taken", h.text), 1500); break;
    case "refused": sounds.refused(); note(h.text, 6000); break;
    case "void": sounds.struck(); note(h.text, 4000); break;
    case "kept":
    case "restored": sounds.taken(); note(h.text, 4000); break;
    case "round": sounds.round(); note(h.text, 2500); break;
    case "ring": sounds.taken(); break;
    case "mastered": note(t("script.zero_set"), 2500); break;
    case "speeds":
    case "check":
    case "reread": note(h.text, 20000); if (!h.good) sounds.attention(); break;
  }
}

let noteTimer = 0;
export function note(s, ms) {
  text("note", s);
  clearTimeout(noteTimer);
  noteTimer = setTimeout(() => text("note", ""), ms);
}

function address() {
  const c = at("cut").getBoundingClientRect();
  if (c.width < 10) return asked;
  main.classList.toggle("low", c.height < lowest);
  const q = new URLSearchParams({ w: Math.round(c.width), h: Math.round(Math.max(c.height, lowest)), unit: settings.unit, comma: settings.comma, by: settings.by, lang: language });
  for (const [id, name] of [["rounds", "a"], ["sections", "s"]]) {
    const r = at(id).getBoundingClientRect();
    if (r.width > 100) { q.set(name + "w", Math.round(r.width)); q.set(name + "h", Math.round(r.height)); }
  }
  return `/station/${encodeURIComponent(station)}/view?${q}`;
}

let asked = "";
function connect() {
  const url = address();
  if (url === asked && newest && newest.readyState !== 2) return;
  asked = url;
  if (newest !== stream) newest.close();
  const s = newest = new EventSource(url);
  const on = (kind, f) => s.addEventListener(kind, (e) => {
    const of = e.data ? JSON.parse(e.data) : null;
    if (left.includes(s)) return kind === "happened" && happened(of);
    heard = Date.now();
    linkIs("up");
    if (f) f(of);
  });
  // The one before goes on until this one speaks, and tells for a while after that what
  // happened: it may be slower, and this one does not know of what was before it.
  on("hello", (h) => {
    if (stream && stream !== s) {
      const late = stream;
      setTimeout(() => late.close(), lateFor);
      if (left.push(late) > 2) left.shift().close(); // a browser has few connections to one server
    }
    stream = s;
    if (version && version !== h.version) location.reload(); // the program was replaced
    version = h.version;
  });
  on("beat");
  on("passing", passing);
  on("face", show);
  on("working", onWorking);
  on("picture", draw);
  on("live", live);
  on("happened", happened);
}

setInterval(() => {
  if (heard && Date.now() - heard > staleAfter) linkIs("lost");
  if (newest && newest.readyState === 2) { asked = ""; connect(); }
}, 500);

panel.onchange = () => face && wide(face.big, face.room);

let resized = 0;
const sized = new ResizeObserver(() => { clearTimeout(resized); resized = setTimeout(() => { fit(); connect(); }, 150); });
for (const id of ["cut", "rounds"]) sized.observe(at(id));
new ResizeObserver(fit).observe(at("what")); // a caution more leaves it less room
onSettings(connect);
sounds.tune(station);
sounds.waits((s) => { silent = s; cautions(); });
actions.start(station, main.dataset.actions === "true", note, at);
const first = at("first");
if (first) show(JSON.parse(first.textContent)); // the stream may be slow to begin
heard = Date.now();
connect();
