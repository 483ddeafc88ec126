// The shop's passphrase, asked once of a browser before its first action.
import { t, language } from "./words.js";

const at = (id) => document.getElementById(id);

const post = async (path, body) => (await fetch(path + "?lang=" + language, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(15000),
})).json();

// signed shows whether this browser may act, where it can be signed out.
const signed = (is) => { if (at("signed")) at("signed").hidden = !is; };

// onSignOut has the button of the settings sign this browser out, and calls said with what came of it.
export function onSignOut(said) {
  const b = at("sign-out");
  if (b) b.onclick = async () => {
    b.closest("dialog").close();
    try {
      await post("/logout", {});
      signed(false);
      said(t("script.signed_out"), 4000);
    } catch {
      said(t("script.unreached"), 8000);
    }
  };
}

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
        const reply = await post("/login", { passphrase: form.passphrase.value });
        right = reply.done;
        if (right) {
          signed(true);
          return d.close();
        }
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

// signInWith signs this browser in with a passphrase that was just set, as soon as the program asks
// for it.
export async function signInWith(passphrase) {
  for (let tries = 0; tries < 20; tries++) {
    await new Promise((done) => setTimeout(done, 700));
    try {
      if ((await post("/login", { passphrase })).done) return signed(true);
    } catch { /* not yet */ }
  }
}
