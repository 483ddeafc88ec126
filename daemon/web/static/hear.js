// What is plugged in, how an unknown gauge talks, and which contacts are wired: live, in the places
// that a page has for it (data-hear="ports", "live", "shown" and "contacts"). The page is told by
// events of the document: "listens" when listening has begun, and "heard" when the gauge is known for
// sure, with its kind, what is said of it, and go once the person goes on. It says "again" to begin
// anew.
import { signIn } from "./login.js";
import { t, language } from "./words.js";

const place = (name) => document.querySelector(`[data-hear="${name}"]`);
const main = document.getElementById("main"), station = main?.dataset.station || "";
const speeds = [300, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200];

function make(tag, more = {}, ...inside) {
  const e = Object.assign(document.createElement(tag), more);
  e.append(...inside);
  return e;
}
const write = (e, text) => { if (e.textContent !== text) e.textContent = text; };
const listOf = (e, texts) => {
  if (e.dataset.is === JSON.stringify(texts)) return;
  e.dataset.is = JSON.stringify(texts);
  e.replaceChildren(...texts.map((s) => make("li", { textContent: s })));
};
const tell = (name, detail) => document.dispatchEvent(new CustomEvent(name, { detail }));

// post sends what a person does, and says why it is not done in the element fault.
async function post(path, body, fault) {
  try {
    const r = await fetch(`${path}?lang=${language}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(15000) });
    if (r.status === 401) return (await signIn()) ? post(path, body, fault) : null;
    const got = await r.json();
    write(fault, r.ok ? "" : got.why?.text || got.says || t("script.not_taken"));
    return r.ok ? got : null;
  } catch {
    write(fault, t("script.unreached_typed"));
    return null;
  }
}

// follow gives take each event of a stream. It asks for the passphrase where the stream is refused for
// want of one, and comes back after any loss.
function follow(path, query, kind, take) {
  let stream = null, timer = 0;
  const open = () => {
    stream = new EventSource(`${path}?${new URLSearchParams({ ...query, lang: language })}`);
    stream.addEventListener(kind, (e) => take(JSON.parse(e.data)));
    stream.onerror = async () => {
      if (stream.readyState !== EventSource.CLOSED) return; // it comes back by itself
      const stop = new AbortController();
      try {
        const r = await fetch(stream.url, { signal: stop.signal });
        if (r.status === 401) await signIn();
      } catch { /* the program is not there */ }
      stop.abort();
      timer = setTimeout(open, 1000);
    };
  };
  open();
  return () => { clearTimeout(timer); stream.close(); };
}

// The ports, one to be chosen, or the address of a device server typed.
function ports(box) {
  const chosen = box.closest("form")?.querySelector('input[type="hidden"][name="port"]')?.value || "";
  const says = make("p", { className: "soft" }), list = make("div", { className: "list" });
  const server = make("input", { type: "text", name: "choice", spellcheck: false, autocomplete: "off", placeholder: "tcp://192.0.2.7:4001" });
  const other = make("input", { type: "radio", name: "port", value: "" });
  const baud = make("select", { name: "choice" }, make("option", { value: "0", textContent: t("script.hear.speed_open") }), ...speeds.map((n) => make("option", { value: n, textContent: n })));
  const ask = make("input", { type: "checkbox", name: "choice" });
  const go = make("button", { type: "button", textContent: t("script.hear.listen") });
  const fault = make("span", { className: "fault" });
  fault.setAttribute("role", "alert");
  server.addEventListener("input", () => { other.value = server.value.trim(); other.checked = true; fit(); });
  const box2 = box.classList.contains("list") ? make("div") : box;
  if (box2 !== box) box.replaceWith(box2);
  box2.replaceChildren(says, list,
    make("details", {}, make("summary", { textContent: t("script.hear.more") }),
      make("label", {}, other, " ", t("script.hear.server"), " ", server),
      make("label", {}, t("script.hear.speed"), " ", baud),
      make("label", { className: "tick" }, ask, " ", t("script.hear.ask")), make("p", { className: "soft", textContent: t("script.hear.ask_help") })),
    make("div", { className: "answer" }, go), fault);
  const radio = () => [...box2.querySelectorAll('input[name="port"]')].find((e) => e.checked && !e.disabled);
  const fit = () => { go.disabled = !radio()?.value; };
  box2.addEventListener("change", fit);
  const rows = new Map();
  follow("/setup/ports", {}, "ports", (p) => {
    write(says, p.says);
    for (const one of p.ports) {
      let row = rows.get(one.device);
      if (!row) {
        const input = make("input", { type: "radio", name: "port", value: one.device, checked: one.device === chosen });
        row = { input, name: make("b"), about: make("small"), why: make("small", { className: "fault" }), isNew: make("b", { className: "caps", textContent: t("script.hear.new"), hidden: true }) };
        row.label = make("label", {}, input, make("span", {}, row.name, " ", row.isNew, make("br"), row.about, row.why));
        rows.set(one.device, row);
      }
      write(row.name, one.name);
      write(row.about, one.about);
      write(row.why, one.why || "");
      row.isNew.hidden = !one.new;
      row.input.disabled = !!one.why;
      row.label.title = one.device;
    }
    for (const [device, row] of rows) if (!p.ports.some((one) => one.device === device)) { row.label.remove(); rows.delete(device); }
    for (const one of [...p.ports].sort((a, b) => !!b.new - !!a.new)) if (!rows.get(one.device).label.isConnected) list[one.new ? "prepend" : "append"](rows.get(one.device).label);
    fit();
  });
  go.addEventListener("click", async () => {
    const form = box2.closest("form"), who = {};
    for (const name of ["person", "pin", "badge"]) if (form?.elements[name]?.value) who[name] = form.elements[name].value;
    go.disabled = true;
    const got = await post("/setup/listen", { port: radio().value, baud: +baud.value, ask: ask.checked, ...who }, fault);
    fit();
    if (got) { began = true; tell("listens"); }
  });
}

// The gauge: what comes, what it may mean, and what is still needed. ours is whether this page wants it.
let began = false, sure = false;
function live(box, shown) {
  const says = make("p", { className: "now" }), line = make("p", { className: "soft" }), why = make("span", { className: "fault" });
  says.setAttribute("role", "status");
  const table = make("tbody"), stop = make("button", { type: "button", textContent: t("script.hear.stop") }), fault = make("span", { className: "fault" });
  box.replaceChildren(says, why, line, make("table", { className: "heard" }, table), stop, fault);
  stop.addEventListener("click", async () => { if (await post("/setup/listen/stop", {}, fault)) tell("again"); });

  const text = make("input", { type: "text", name: "shown_text", inputMode: "text", autocomplete: "off", spellcheck: false, placeholder: "-0.0044 mm" });
  const compare = make("button", { type: "button", textContent: t("script.hear.compare") }), undo = make("button", { type: "button", textContent: t("script.hear.undo"), hidden: true });
  const use = make("button", { type: "button", className: "do", textContent: t("script.hear.use"), hidden: true });
  const typed = make("ul"), needs = make("ul"), unseen = make("ul"), wrong = make("span", { className: "fault" });
  typed.setAttribute("role", "status");
  wrong.setAttribute("role", "alert");
  const needed = make("div", { hidden: true }, make("b", { textContent: t("script.hear.needed") }), needs);
  const rest = make("details", { hidden: true }, make("summary", { textContent: t("script.hear.unseen") }), unseen);
  shown.replaceChildren(make("label", {}, t("script.hear.display"), " ", text), make("div", { className: "answer" }, compare, undo), wrong, typed, needed, rest, make("div", { className: "answer" }, use));
  const show = async (what) => {
    if (!what.trim()) return text.focus();
    if (await post("/setup/listen/shown", { text: what }, wrong)) { text.value = ""; text.focus(); }
  };
  compare.addEventListener("click", () => show(text.value));
  undo.addEventListener("click", () => show("undo"));
  text.addEventListener("keydown", (e) => { if (e.key === "Enter") { e.preventDefault(); show(text.value); } });

  let last = null;
  use.addEventListener("click", async () => {
    const h = last;
    if (await post("/setup/listen/stop", {}, fault)) tell("heard", { kind: h.kind, says: `${h.value} ${h.unit}`, go: true });
  });
  follow("/setup/listen", { gauge: main?.dataset.gauge || "gauge", station: station || "station" }, "hearing", (h) => {
    last = h;
    if (h.state && h.state !== "ended" && !began) { began = true; tell("listens"); } // it was loaded again meanwhile
    write(says, h.says);
    write(why, h.why || "");
    write(line, [h.line, h.count ? t("script.hear.count", h.count) : ""].filter(Boolean).join(" · "));
    const rows = JSON.stringify(h.frames || []);
    if (table.dataset.is !== rows) {
      table.dataset.is = rows;
      table.replaceChildren(...(h.frames || []).map((f) => make("tr", {}, make("td", { textContent: f.at.toFixed(1) + " s" }), make("td", {}, make("code", { textContent: f.sent ? "> " + f.text : f.damaged ? "✕" : f.text })), make("td", {}, make("b", { textContent: f.means || "" })))));
    }
    stop.hidden = h.state === "ended" || !h.state;
    compare.disabled = stop.hidden;
    undo.hidden = stop.hidden || !(h.shown || []).length;
    listOf(typed, (h.shown || []).map((s) => ({ true: "✓ ", false: "✕ " }[s.agrees] || "") + s.says));
    listOf(needs, h.needs || []);
    needed.hidden = !(h.needs || []).length;
    listOf(unseen, h.unseen || []);
    rest.hidden = !(h.unseen || []).length;
    use.hidden = !h.sure;
    if (h.sure && !sure) tell("heard", { kind: h.kind, says: `${h.value} ${h.unit}`, go: false });
    sure = h.sure;
  });
}

// The contacts: which line changes while a person presses.
function contacts(box) {
  const says = make("p"), why = make("span", { className: "fault" }), port = main?.dataset.port;
  says.setAttribute("role", "status");
  box.replaceChildren(says, why);
  const close = follow("/setup/contacts", station ? { station } : { port }, "contacts", (c) => {
    write(says, c.why ? "" : c.says);
    write(why, c.why || "");
    for (const l of document.querySelectorAll("[data-line]")) {
      const one = (c.lines || []).find((x) => x.line === l.dataset.line);
      l.dataset.on = one?.on ? "yes" : "no";
      l.toggleAttribute("data-changed", c.last === l.dataset.line);
    }
  });
  addEventListener("pagehide", close);
}

if (place("ports")) ports(place("ports"));
if (place("live") && place("shown")) live(place("live"), place("shown"));
if (place("contacts")) contacts(place("contacts"));
document.addEventListener("again", () => { began = false; sure = false; });
