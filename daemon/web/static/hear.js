// What is plugged in, how an unknown gauge talks, and the contacts, live in the set-up. The server
// says all of it in words; this sets them.
import { signIn } from "./login.js";
import { t, language } from "./words.js";

const at = (name) => document.querySelector(`[data-hear="${name}"]`);
const form = document.getElementById("guide"), station = document.getElementById("main").dataset.station;
const make = (tag, with_, ...inside) => { const e = Object.assign(document.createElement(tag), with_); e.append(...inside); return e; };
const lines = (all, tag = "li") => (all || []).map((s) => make(tag, { textContent: s }));

// follow calls f with each event of a stream. It opens the stream again after a loss, and asks for the
// passphrase where the stream is refused for want of one.
function follow(path, name, f) {
  const from = new EventSource(`${path}${path.includes("?") ? "&" : "?"}lang=${language}`);
  from.addEventListener(name, (e) => f(JSON.parse(e.data)));
  from.addEventListener("error", async () => {
    if (from.readyState !== EventSource.CLOSED) return; // it tries again by itself
    const stop = new AbortController();
    try {
      if ((await fetch(from.url, { signal: stop.signal })).status === 401) await signIn();
    } catch { /* the program is not there */ }
    stop.abort();
    setTimeout(() => follow(path, name, f), 1000);
  });
}

// who sets up, where the configuration names people
const who = () => Object.fromEntries([...form.querySelectorAll("[data-who]")].filter((e) => e.value).map((e) => [e.dataset.who, e.value]));

async function post(path, body) {
  try {
    const r = await fetch(`${path}?lang=${language}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(15000) });
    if (r.status === 401) return (await signIn()) ? post(path, body) : null;
    return await r.json();
  } catch {
    return { why: { text: t("script.unreached_typed") } };
  }
}

// ports: a list to choose from, that grows when something is plugged in
function ports(got) {
  const into = at("ports"), chosen = form.port.value;
  const shown = JSON.stringify([got, chosen]);
  if (into.dataset.shown === shown) return;
  into.dataset.shown = shown;
  at("plug").textContent = got.says;
  const held = into.contains(document.activeElement) && document.activeElement.value;
  into.replaceChildren(...got.ports.map((p) => {
    const choice = make("input", { type: "radio", name: "choice", value: p.device, checked: p.device === chosen, disabled: !!p.why });
    const about = make("span", {}, make("strong", { textContent: p.name }), make("small", { textContent: p.about }));
    if (p.why) about.append(make("small", { className: "why-not", textContent: p.why }));
    if (p.new) about.firstChild.append(" ", make("em", { textContent: t("script.port_new") }));
    return make("label", { className: p.new ? "new" : "" }, choice, about);
  }));
  if (held) into.querySelector(`[value="${CSS.escape(held)}"]`)?.focus();
}

// hearing: what the gauge sends, and how it compares with its display
let sure = false, going = false;
function hearing(h) {
  if (!h.state || h.state === "ended" && !going) return;
  if (!going) begun(h.port);
  const set = (name, s) => { if (at(name).textContent !== (s || "")) at(name).textContent = s || ""; };
  set("says", h.says);
  set("why", h.why);
  set("value", h.value ? `${h.value} ${h.unit || ""}` : "–");
  set("count", `· ${t("script.frames", h.count)}`);
  set("line", [h.line, h.kind && t("script.way_" + h.kind)].filter(Boolean).join(" · "));
  at("live").dataset.state = h.sure ? "sure" : h.state;
  at("frames").replaceChildren(...(h.frames || []).slice(-5).map((f) => make("li", { className: f.sent ? "sent" : f.damaged ? "damaged" : "" }, make("code", { textContent: f.text }), make("span", { textContent: f.means || "" }))));
  at("needs").replaceChildren(...lines(h.sure ? [] : h.needs));
  at("told").replaceChildren(...(h.shown || []).map((s) => make("li", { className: s.agrees === false ? "bad" : s.agrees ? "good" : "", textContent: s.says })));
  at("back").hidden = !(h.shown || []).length || h.sure;
  at("shown").hidden = !h.found || h.sure;
  at("ask").hidden = h.found || h.state !== "listening";
  at("go").hidden = !h.sure;
  if (h.unit && !form.querySelector('[name="shown_unit"]:checked')) for (const e of form.querySelectorAll('[name="shown_unit"]')) e.checked = e.value === h.unit;
  if (h.sure && !sure) document.dispatchEvent(new CustomEvent("heard", { detail: h }));
  sure = h.sure;
}

// begun says that a port is listened to.
function begun(port) {
  going = true;
  form.port.value = port;
  document.dispatchEvent(new CustomEvent("listens"));
}

async function begin(ask) {
  const other = form.port_other.value.trim(), port = form.querySelector('[name="choice"]:checked')?.value === "other" ? other : form.querySelector('[name="choice"]:checked')?.value;
  const fault = document.getElementById("x-port");
  fault.textContent = port ? "" : t("script.no_port");
  if (!port) return;
  const got = await post("/setup/listen", { port, ask, ...who() });
  if (!got) return;
  if (!got.done) { fault.textContent = got.why.text; return; }
  sure = false;
  begun(port);
}

async function stop() {
  going = false;
  await post("/setup/listen/stop", {});
  document.dispatchEvent(new CustomEvent("ports"));
}

async function show(text) {
  const got = await post("/setup/listen/shown", { text });
  if (!got) return;
  at("shown-why").textContent = got.agrees === undefined ? got.why?.text || got.says || "" : "";
  if (got.agrees !== undefined) { form.shown_text.value = ""; form.shown_text.focus(); }
}

if (at("ports")) {
  follow("/setup/ports", "ports", ports);
  follow("/setup/listen", "hearing", hearing);
  at("listen").addEventListener("click", () => begin(false));
  at("ask").addEventListener("click", async () => { going = false; await post("/setup/listen/stop", {}); begin(true); });
  at("stop").addEventListener("click", stop);
  document.addEventListener("again", stop);
  at("compare").addEventListener("click", () => show(`${form.shown_text.value.trim()} ${form.querySelector('[name="shown_unit"]:checked')?.value || ""}`.trim()));
  form.shown_text.addEventListener("keydown", (e) => { if (e.key === "Enter") { e.preventDefault(); at("compare").click(); } });
  at("back").addEventListener("click", () => show("undo"));
  at("go").addEventListener("click", () => document.dispatchEvent(new CustomEvent("known")));
  form.port_other.addEventListener("input", () => { form.querySelector('[name="choice"][value="other"]').checked = true; });
}

// contacts: the one that was pressed lights up
if (at("contacts") && station) follow(`/setup/contacts/stream?station=${encodeURIComponent(station)}`, "contacts", (c) => {
  at("contacts").textContent = c.why || c.says;
  for (const l of c.lines || []) for (const e of document.querySelectorAll(`[data-line="${l.line}"]`)) {
    e.dataset.on = l.on ? "yes" : "no";
    e.toggleAttribute("data-changed", l.line === c.last);
  }
});
