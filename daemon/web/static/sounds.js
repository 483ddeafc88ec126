// Short tones, each for one thing, each shown as well. A station has its own pitch.
import { settings } from "./settings.js";

let audio = null, pitch = 1;

function tone(freq, start, long, shape = "sine", loud = 1) {
  const volume = +settings.volume;
  if (!volume) return;
  try {
    audio ??= new AudioContext();
    if (audio.state === "suspended") audio.resume(); // a browser wants a touch or key first
    const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime + start;
    o.type = shape;
    o.frequency.value = freq * pitch;
    g.gain.setValueAtTime(0, t);
    g.gain.linearRampToValueAtTime(0.4 * volume * loud, t + 0.008);
    g.gain.setValueAtTime(0.4 * volume * loud, t + long - 0.02);
    g.gain.linearRampToValueAtTime(0, t + long);
    o.connect(g).connect(audio.destination);
    o.start(t);
    o.stop(t + long);
  } catch {
    audio = null; // no sound here; everything is shown anyway
  }
}

let nearAt = 0;
export const sounds = {
  tune(station) { // up to a fifth apart, by name
    let n = 0;
    for (const c of station) n = (n * 31 + c.codePointAt(0)) >>> 0;
    pitch = 2 ** ((n % 8) / 12);
  },
  taken() { tone(1320, 0, 0.09); },
  refused() { tone(220, 0, 0.16, "square", 0.5); tone(220, 0.22, 0.16, "square", 0.5); },
  attention() { tone(660, 0, 0.2, "triangle"); tone(880, 0.25, 0.2, "triangle"); },
  state(now, before) {
    if (now === before) return;
    if (now === "safe") { tone(784, 0, 0.12); tone(988, 0.13, 0.12); tone(1175, 0.26, 0.24); }
    if (now === "danger") tone(196, 0, 1.2, "sawtooth", 0.6);
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
    speechSynthesis.speak(new SpeechSynthesisUtterance(text.replace("−", "minus ").replace("µm", "")));
  },
};
