// The page of a part: another result may take the place of the one that stands.
import { signIn } from "./login.js";
import { wire, open, action } from "./outcome.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const { station, job, part, result } = at("main").dataset;
const dialog = at("d-disposition"), form = dialog.querySelector("form");
const of = { seq: +result, job, part };
// id names the action, so that one sent twice is done once. randomUUID wants TLS.
const id = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");

async function send(a) {
  a.id ??= id();
  try {
    const r = await fetch(`/station/${encodeURIComponent(station)}/do?lang=${language}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(a), signal: AbortSignal.timeout(8000),
    });
    if (r.status === 401) { if (await signIn()) await send(a); return; }
    const reply = await r.json();
    if (reply.done) return location.reload();
    at("note").textContent = reply.why?.text || t("script.not_done");
    if (r.status === 202) setTimeout(() => send(a), 1000); // not on disk yet: say so until it is
  } catch {
    at("note").textContent = t("script.not_sent");
  }
}

wire(form);
at("change").addEventListener("click", () => {
  form.reset();
  open(form, at("outcome").textContent.trim(), of);
  dialog.showModal();
});
form.addEventListener("submit", (e) => { if (!e.submitter || e.submitter.value === "yes") send(action(form, of)); });
dialog.querySelector("[data-no]").addEventListener("click", () => dialog.close());
