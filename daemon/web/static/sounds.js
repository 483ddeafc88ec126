// Short tones, each for one thing, each shown as well. A station has its own pitch.
import { settings } from "./settings.js";
import { t, language } from "./words.js";

let audio = null, pitch = 1, tell = () => {};

// A browser keeps a page silent until it is touched or a key is pressed.
const kept = () => !!audio && audio.state !== "running" && +settings.volume > 0;

function open() {
  if (audio || !+settings.volume || !window.AudioContext) return;
  audio = new AudioContext();
  audio.addEventListener("statechange", () => tell(kept()));
  for (const e of ["pointerup", "keydown"]) addEventListener(e, () => kept() && audio.resume());
}

function tone(freq, start, long, shape = "sine", loud = 1) {
  const volume = +settings.volume;
  if (!volume) return;
  try {
    open();
    if (!audio || kept()) return; // what is due now must not sound later, all at once
    const o = audio.createOscillator(), g = audio.createGain(), from = audio.currentTime + start;
    o.type = shape;
    o.frequency.value = freq * pitch;
    g.gain.setValueAtTime(0, from);
    g.gain.linearRampToValueAtTime(0.4 * volume * loud, from + 0.008);
    g.gain.setValueAtTime(0.4 * volume * loud, from + long - 0.02);
    g.gain.linearRampToValueAtTime(0, from + long);
    o.connect(g).connect(audio.destination);
    o.start(from);
    o.stop(from + long);
  } catch {
    // no sound here; everything is shown anyway
  }
}

let nearAt = 0, counted = null;
export const sounds = {
  tune(station) { // up to a fifth apart, by name
    let n = 0;
    for (const c of station) n = (n * 31 + c.codePointAt(0)) >>> 0;
    pitch = 2 ** ((n % 8) / 12);
  },
  waits(f) { // calls f with whether the browser keeps the page silent, whenever that changes
    tell = f;
    try { open(); } catch { return; }
    setTimeout(() => tell(kept()), 1000); // where it is allowed it takes a moment to start
  },
  passes(n) { // a quiet tick, higher for each, when one more counts; those before the page was opened are past
    if (counted !== null && n > counted) tone(392 * 2 ** (Math.min(n, 8) / 6), 0, 0.05, "triangle", 0.35);
    counted = n;
  },
  taken() { tone(1320, 0, 0.09); },
  refused() { tone(220, 0, 0.16, "square", 0.5); tone(220, 0.22, 0.16, "square", 0.5); },
  attention() { tone(660, 0, 0.2, "triangle"); tone(880, 0.25, 0.2, "triangle"); },
  struck() { tone(880, 0, 0.09); tone(440, 0.11, 0.14); },
  round() { tone(1047, 0, 0.07); tone(1047, 0.14, 0.07); },
  state(now, before) { // after the pip of the reading that made it so
    if (now === before) return;
    if (now === "safe") { tone(784, 0.15, 0.12); tone(988, 0.28, 0.12); tone(1175, 0.41, 0.24); }
    if (now === "danger") tone(196, 0.15, 1.2, "sawtooth", 0.6);
    if (now === "watch" || now === "act") this.attention();
  },
  near(live, face) { // rises as the size nears the low limit
    if (!settings.rise || !live.in || !face || Date.now() - nearAt < 250) return;
    nearAt = Date.now();
    tone(330 * 2 ** Math.max(-1, Math.min(1.5, 1 + live.um / 20)), 0, 0.06, "sine", 0.4);
  },
  speak(text) {
    if (!settings.speak || !window.speechSynthesis) return;
    speechSynthesis.cancel();
    const said = new SpeechSynthesisUtterance(text.replace("−", t("script.minus") + " ").replace("µm", ""));
    said.lang = language;
    speechSynthesis.speak(said);
  },
};
