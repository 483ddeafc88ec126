// What a page asks of a station, and the record of a part.
import { signIn } from "./login.js";
import { t, language } from "./words.js";

// id names an action, so that one sent twice is done once. randomUUID wants TLS.
export const id = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");

const at = (station, what) => `/station/${encodeURIComponent(station)}/${what}?lang=${language}`;

// post posts an action and resolves to its reply; what hinders it is a reply too. asked: it was
// sent before, and was not recorded yet.
export async function post(station, action, asked) {
  action.id ??= id();
  const no = (text) => ({ done: false, why: { text } });
  try {
    const r = await fetch(at(station, "do"), {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(action), signal: AbortSignal.timeout(8000),
    });
    if (r.status === 401) return (await signIn()) ? post(station, action, asked) : no(t("script.needs_passphrase"));
    return { pending: r.status === 202, ...(await r.json()) };
  } catch {
    return no(asked ? t("script.not_known") : t("script.not_sent"));
  }
}

// people fetches who may work at a station, null if that is not told; why not is said.
export async function people(station, say) {
  try {
    const r = await fetch(at(station, "people"), { signal: AbortSignal.timeout(8000) });
    if (r.status === 401) return (await signIn()) ? people(station, say) : say(t("script.needs_passphrase"), 6000);
    return r.ok ? await r.json() : say((await r.json()).why.text, 8000);
  } catch {
    return say(t("script.unreached"), 8000);
  }
}

// saveRecord has the record of a part made, and saves it as a file. It says how that goes.
export async function saveRecord(address, say) {
  say(t("script.record_made"), 60000);
  try {
    const r = await fetch(`${address}?lang=${language}`, { signal: AbortSignal.timeout(60000) });
    if (r.status === 401) return (await signIn()) ? saveRecord(address, say) : say(t("script.needs_passphrase"), 6000);
    if (!r.ok) return say((await r.json()).why.text, 8000);
    const name = r.headers.get("Content-Disposition")?.match(/filename="?([^";]+)/)?.[1] || "record.pdf";
    const file = Object.assign(document.createElement("a"), { href: URL.createObjectURL(await r.blob()), download: name });
    file.click();
    setTimeout(() => URL.revokeObjectURL(file.href), 60000);
    say(t("script.record_saved", name), 4000);
  } catch {
    say(t("script.unreached"), 8000);
  }
}
