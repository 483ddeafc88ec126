// The page of a part: its record, and another result that takes the place of the one that stands.
import { wire, open, action } from "./outcome.js";
import { post, people, saveRecord } from "./post.js";
import { startPeople, whoSigns } from "./people.js";
import { t } from "./words.js";

const at = (id) => document.getElementById(id);
const { station, job, part, result } = at("main").dataset;
const dialog = at("d-disposition"), form = dialog?.querySelector("form"); // there is none where the part has no result
const of = { seq: +result, job, part };
const say = (text) => { at("note").textContent = text; };

// send sends what is decided. Where the station asks who works there, somebody says here who decides.
async function send(a) {
  const signed = at("d-people") ? await whoSigns(a, t("script.who_decides")) : { action: a, reply: await post(station, a) };
  if (signed) answered(signed.action, signed.reply);
}

function answered(a, reply) {
  if (reply.done) return location.reload();
  say(reply.why?.text || t("script.not_done"));
  if (reply.pending) setTimeout(async () => answered(a, await post(station, a, true)), 1000); // not on disk yet: say so until it is
}

startPeople((a) => post(station, a), () => people(station, say), true);
at("paper")?.addEventListener("click", (e) => saveRecord(e.currentTarget.dataset.at, say));
if (form) {
  wire(form);
  at("change").addEventListener("click", () => {
    form.reset();
    open(form, at("outcome").textContent.trim(), of);
    dialog.showModal();
  });
  form.addEventListener("submit", (e) => { if (!e.submitter || e.submitter.value === "yes") send(action(form, of)); });
  dialog.querySelector("[data-no]").addEventListener("click", () => dialog.close());
}
