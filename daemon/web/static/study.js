// The page of a gauge study: it comes anew with each event of the station that may
// change it. The server makes it, by the same computation as the record.
import { t } from "./words.js";

const main = document.querySelector("main"), study = document.getElementById("study"), said = document.getElementById("said");

// What is wider than the screen can be moved by keys too.
function reach() {
  for (const e of study.querySelectorAll("table, figure")) {
    if (e.scrollWidth > e.clientWidth + 1) e.tabIndex = 0; else e.removeAttribute("tabindex");
  }
}

let busy = false, again = false;
async function renew() {
  if (busy) { again = true; return; }
  busy = true;
  try {
    const r = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(8000) });
    if (r.ok) {
      const next = new DOMParser().parseFromString(await r.text(), "text/html").getElementById("study");
      if (next && next.innerHTML !== shown) {
        shown = next.innerHTML;
        const at = [...study.querySelectorAll("table, figure")].map((e) => e.scrollLeft);
        study.replaceChildren(...[...next.childNodes].map((n) => document.importNode(n, true)));
        study.querySelectorAll("table, figure").forEach((e, i) => { e.scrollLeft = at[i] || 0; });
        reach();
      }
      lost("");
    }
  } catch {
    lost(t("script.no_link"));
  }
  busy = false;
  if (again) { again = false; renew(); }
}

function lost(text) { if (said.textContent !== text) said.textContent = text; }

let shown = study.innerHTML;
reach();
addEventListener("resize", reach);
if (main.dataset.live === "true") {
  const stream = new EventSource(`/station/${encodeURIComponent(main.dataset.station)}/stream`);
  const telling = ["study", "reading", "void", "restored", "part", "job", "result", "round"];
  stream.addEventListener("event", (e) => { if (telling.includes(JSON.parse(e.data).kind)) renew(); });
  stream.addEventListener("open", renew); // also after a loss
  stream.addEventListener("error", () => lost(t("script.no_link")));
}
