// The dialogs: lists to tap instead of words to type, and an answer that stays off until it can be
// given. Nothing is chosen beforehand.
import { settings } from "./settings.js";
import { t, language } from "./words.js";

const make = (tag, with_) => Object.assign(document.createElement(tag), with_);

// list offers options {value, text} in the list of a form that has the name. One that is alone is
// said and not asked.
function list(form, name, options, none) {
  const into = form.querySelector(`.list[data-name="${name}"]`);
  if (options.length < 2) {
    const only = make("input", { type: "text", name, hidden: true, required: true, value: options[0]?.value ?? "" });
    return into.replaceChildren(make("p", { textContent: options[0]?.text || none }), only);
  }
  into.replaceChildren(...options.map((o) => {
    const label = make("label");
    label.append(make("input", { type: "radio", name, value: o.value, required: true }), " " + o.text);
    return label;
  }));
}

// rings offers each ring as an answer, first the job's.
function rings(form, known) {
  form.querySelector(".rings").replaceChildren(...known.map((r, i) => {
    const b = make("button", { value: "yes", className: i ? "" : "yes", textContent: t("script.begin_ring", r.text) });
    b.dataset.ring = r.id;
    return b;
  }), ...(known.length ? [] : [make("p", { textContent: t("script.no_rings") })]));
}

// numbers offers the numbers that are common as answers, and first the one that is advised.
function numbers(form, advised) {
  for (const e of form.querySelectorAll(".numbers")) {
    const common = e.dataset.common.split(" ").map(Number).filter((n) => n !== advised);
    e.replaceChildren(...[...(advised ? [advised] : []), ...common.slice(0, advised ? -1 : undefined)].map((n) => {
      const b = make("button", { value: "yes", className: n === advised ? "yes" : "", textContent: n === advised ? t("script.advised", n) : n });
      b.onclick = () => { form[e.dataset.for].value = n; };
      return b;
    }));
  }
}

// fill puts what is known now, a face, into a dialog.
export function fill(name, form, f) {
  const readings = (some) => (some || []).map((c) => ({ value: c.no, text: c.text }));
  switch (name) {
    case "void": list(form, "reading", [...readings(f.asked), ...readings(f.readings).reverse()], t("script.nothing_gauged")); break;
    case "restore": list(form, "reading", readings(f.voids).reverse(), t("script.none_void")); break;
    case "keep": list(form, "reading", readings(f.asked), t("script.none_asked")); break;
    case "position": list(form, "place", (f.places || []).map((p, i) => ({ value: i, text: p.text })), t("script.no_places")); break;
    case "master": case "check": rings(form, f.rings || []); break;
    case "round": numbers(form, f.strokes); break;
  }
  ready(form);
}

// ready switches the answer on once it can be given, and says until then what is missing.
export function ready(form) {
  const other = form.querySelector('[name="quick"][value=""]');
  if (other && form.reason) form.reason.required = other.checked;
  const missing = [...form.elements].find((e) => e.willValidate && e.name && !e.checkValidity());
  const what = missing && (missing.closest("fieldset")?.querySelector("legend") || missing.closest("label"))?.firstChild.textContent.trim();
  const why = form.querySelector(".why");
  if (why) why.textContent = missing ? t("script.first", what) : "";
  for (const b of form.querySelectorAll(".answer .yes")) b.disabled = !!missing;
}

// focus goes to what a person types into only if a key opened the dialog: on a screen that is
// touched a keyboard would cover the dialog.
export function focus(d, byKey) {
  const seen = (e) => e.getClientRects().length > 0;
  const into = byKey ? "input:enabled:not([type=checkbox], [hidden]), select:enabled, .yes:enabled" : ".yes:enabled";
  ([...d.querySelectorAll(into)].find(seen) || d.querySelector("h2")).focus();
}

// read reads a number as it is typed, with a point or a comma: a field of whole numbers takes
// neither, and others take two places at most, so that no comma is one of thousands.
export const read = (text) => +text.trim().replace(",", ".").replace("−", "-");

// written is a number as the reader writes it.
const sign = { 0: ".", 1: "," }[settings.comma] ?? (0.5).toLocaleString(language)[1];
const written = (n, e) => (e.type === "number" ? n : String(n).replace(".", sign));

// start has a dialog mind what is typed, tapped and stepped in it.
export function start(d) {
  const form = d.querySelector("form"), title = d.querySelector("h2");
  title.tabIndex = -1;
  title.autofocus = true; // showModal would focus the first field
  form.addEventListener("input", () => ready(form));
  form.addEventListener("change", () => setTimeout(() => ready(form))); // an answer may ask for more
  form.addEventListener("reset", () => setTimeout(() => ready(form)));
  for (const b of d.querySelectorAll("[data-step]")) b.addEventListener("click", () => {
    const e = b.closest(".stepper").querySelector("input"), from = e.value === "" ? e.dataset.from : e.value;
    const next = from === e.dataset.from && e.value === "" ? +from : read(from || "0") + +b.dataset.step;
    e.value = written(Math.round(10 * Math.max(+e.min, Math.min(+e.max, next))) / 10, e);
    ready(form);
  });
}
