// The question what is to become of a part: at the station, and on the page of a part.

// wire shows the fields that an answer needs, and only those.
export function wire(form) {
  form.addEventListener("change", () => needs(form));
}

function needs(form) {
  const show = (box, on, fields) => {
    box.hidden = !on;
    for (const f of fields) f.disabled = !on;
  };
  const concession = form.querySelector("#concession");
  show(concession, form.outcome.value === "concession", [concession]);
  const other = form.querySelector("[name=quick]:checked");
  show(form.querySelector("#own-words"), !!other && other.value === "", [form.reason]);
}

// open fills the question in. result is the one that another is to supersede, if there is one.
export function open(form, what, result) {
  form.querySelector("#disposition-what").textContent = what;
  const accept = form.querySelector("#may-accept");
  accept.hidden = accept.firstElementChild.disabled = !result;
  needs(form);
}

// action is the action that the answer makes.
export function action(form, result) {
  const text = (name) => (form[name].matches(":disabled") ? undefined : form[name].value.trim());
  const a = { do: "disposition", outcome: form.outcome.value, number: text("number"), granted_by: text("granted_by") };
  Object.assign(a, text("reason") ? { reason: text("reason") } : { reason_code: form.quick.value });
  return result ? { ...a, supersedes: result.seq, job: result.job, part: result.part } : a;
}
