// The form of a ring or a gauge: the certificate's file first, then the fields.
import { signIn } from "./login.js";
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);
const form = at("register");

// send posts something, and asks for the passphrase if that is wanted first.
async function send(path, type, body) {
  const r = await fetch(`${path}?lang=${language}`, { method: "POST", headers: { "Content-Type": type }, body, signal: AbortSignal.timeout(40000) });
  if (r.status === 401) return (await signIn()) ? send(path, type, body) : null;
  return r.json();
}

function faults(all) {
  let first = null;
  for (const x of form.querySelectorAll(".fault")) {
    const name = x.id.slice(2), input = name === "certificate_file" ? at("f-file") : at("f-" + name);
    x.textContent = all[name] || "";
    input.setAttribute("aria-invalid", all[name] ? "true" : "false");
    if (all[name] && !first) first = input;
  }
  first?.focus();
  const elsewhere = !first && Object.values(all)[0];
  at("note").textContent = elsewhere || (first ? t("script.not_saved") : "");
}

// keep sends the certificate's file. It resolves to whether the rest may follow.
async function keep() {
  const file = at("f-file")?.files[0];
  if (!file) return true;
  const got = await send("/register/certificate", file.type || "application/octet-stream", file);
  if (!got) return false;
  if (!got.file) { faults({ certificate_file: got.why?.text || t("script.not_taken") }); return false; }
  at("f-certificate_file").value = got.file;
  return true;
}

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  at("save").disabled = true;
  try {
    if (!(await keep())) return;
    const text = Object.fromEntries([...new FormData(form)].map(([k, v]) => [k, String(v)]));
    const who = Object.fromEntries([...form.querySelectorAll("[data-who]")].filter((i) => i.value).map((i) => [i.dataset.who, i.value]));
    const got = await send(`/register/${form.dataset.kind}`, "application/json", JSON.stringify({ id: form.dataset.id, hash: form.dataset.hash, text, ...who }));
    if (!got) return;
    if (got.done) { location.assign("/register"); return; }
    faults(got.faults || {});
    if (!got.faults) at("note").textContent = got.why?.text || t("script.not_taken");
  } catch {
    at("note").textContent = t("script.unreached");
  } finally {
    at("save").disabled = false;
  }
});
