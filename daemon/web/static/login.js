// The shop's passphrase, asked once of a browser before its first action.
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);

// signIn asks for it and resolves to whether it was right.
export function signIn() {
  const d = at("d-login"), form = d.querySelector("form");
  form.reset();
  at("login-why").textContent = "";
  d.showModal();
  form.passphrase.focus();
  return new Promise((resolve) => {
    let right = false;
    form.onsubmit = async (e) => {
      e.preventDefault();
      try {
        const r = await fetch("/login?lang=" + language, {
          method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ passphrase: form.passphrase.value }), signal: AbortSignal.timeout(15000),
        });
        const reply = await r.json();
        right = reply.done;
        if (right) return d.close();
        at("login-why").textContent = reply.why.text;
        form.passphrase.select();
      } catch {
        at("login-why").textContent = t("script.unreached");
      }
    };
    d.querySelector("[data-no]").onclick = () => d.close();
    d.addEventListener("close", () => resolve(right), { once: true });
  });
}
