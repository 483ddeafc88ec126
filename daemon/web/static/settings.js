// Settings of this screen, kept in this browser.
import { t } from "./words.js";

const key = (name) => "fairbore." + name;
const simulated = document.getElementById("simulated");
const silent = simulated?.dataset.demo !== undefined; // the demo makes no noise unless it is asked to
const usual = { unit: "", comma: "", by: "", theme: "", words: "", volume: silent ? "0" : "0.6", rise: "", speak: "", awake: "1" };
export const settings = {};
const followers = [];
export const onSettings = (f) => followers.push(f);

// The address may set them too, for a screen without a keyboard: ?unit=mm&theme=dark.
const asked = new URLSearchParams(location.search);
for (const name in usual) settings[name] = asked.get(name) ?? localStorage.getItem(key(name)) ?? usual[name];

export function set(values) {
  for (const name in values) {
    settings[name] = values[name];
    localStorage.setItem(key(name), values[name]);
  }
  apply();
  for (const f of followers) f();
}

// The screen stays awake where the browser allows it: only over TLS, or on this machine.
let lock = null;
// A page says that what it shows is simulated as soon as that is known.
export function simulates(yes) { if (simulated && !silent) simulated.hidden = !yes; }

async function awake() {
  const why = document.getElementById("awake-why");
  if (!navigator.wakeLock) {
    if (why) why.textContent = t("script.awake_not");
    return;
  }
  try {
    if (settings.awake && !lock && document.visibilityState === "visible") {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
    } else if (!settings.awake && lock) {
      await lock.release();
    }
  } catch {
    lock = null; // not allowed now, such as on low battery
  }
}

function apply() {
  document.documentElement.dataset.theme = settings.theme;
  document.documentElement.dataset.words = settings.words;
  const off = document.getElementById("sound-off");
  if (off) off.hidden = !silent || +settings.volume > 0 || !document.getElementById("d-settings");
  awake();
}
document.addEventListener("visibilitychange", awake);
apply();
