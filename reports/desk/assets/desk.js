// Keys for what the pages can do without them, and drafts sent while somebody writes.
"use strict";
const form = document.querySelector(".case-form");
const problems = document.getElementById("problems");
if (problems) {
  // to the field at fault, which the problems describe; not into a list, where a key would choose
  const fault = document.querySelector("[aria-invalid=true]:not(select)");
  const group = fault && fault.matches("[role=radiogroup]");
  (group ? fault.querySelector("input:checked") || fault.querySelector("input") : fault || problems).focus();
}

const findings = form ? [...form.querySelectorAll(".finding")] : [];
let at = 0;
function show(next) {
  if (!findings.length) return;
  findings[at].classList.remove("now");
  at = Math.max(0, Math.min(findings.length - 1, next));
  findings[at].classList.add("now");
}
function visit(next) {
  show(next);
  const first = findings[at] && findings[at].querySelector("input[type=radio]");
  if (first) first.focus();
}
show(0);

const CAUSES = "qwetyui";
const STATES = { o: "open", a: "awaiting_crew", r: "referred", c: "closed" };

function caseKey(key) {
  if (key >= "1" && key <= "4" && findings.length) {
    const radio = findings[at].querySelectorAll("input[type=radio]")[key - 1];
    radio.checked = true;
    radio.focus();
    onlyOfWhatHolds(findings[at]);
  } else if (CAUSES.includes(key) && findings.length) {
    const box = findings[at].querySelectorAll("input[type=checkbox]")[CAUSES.indexOf(key)];
    box.checked = !box.checked;
    box.focus();
  } else if (key === "n") visit(at + 1);
  else if (key === "p") visit(at - 1);
  else if (key in STATES) return stateKey(key);
  else if (key === "s") return save();
  else if (key === "j") return follow("next-case");
  else if (key === "l") location.href = "/";
  else return false;
  changed();
  return true;
}
function onlyOfWhatHolds(finding) {
  if (!finding || !finding.querySelector("input[type=radio]:checked:not([value=holds])")) return;
  for (const box of finding.querySelectorAll("input[type=checkbox]")) box.checked = false;
}
function save() {
  form.requestSubmit(form.querySelector(".main-button"));
  return true;
}
function tick(key) {
  const radio = form.querySelector(`input[name=status][value=${STATES[key]}]`);
  if (radio) { radio.checked = true; changed(); }
  return radio;
}
function stateKey(key) {
  const radio = tick(key);
  if (radio) radio.focus();
  return Boolean(radio);
}
function follow(id) {
  const link = document.getElementById(id);
  if (link) location.href = link.href;
  return Boolean(link);
}
function focused(id) {
  const field = document.getElementById(id);
  if (field) field.focus();
  return Boolean(field);
}
function listKey(key) {
  const pieces = [...document.querySelectorAll("a.piece")];
  const here = pieces.indexOf(document.activeElement);
  if (key === "j" && pieces.length) pieces[Math.min(pieces.length - 1, here + 1)].focus();
  else if (key === "k" && pieces.length) pieces[Math.max(0, here - 1)].focus();
  else if (key === "b") return follow("begin");
  else if (key === "t") return focused("to-trip");
  else return false;
  return true;
}
document.addEventListener("keydown", (event) => {
  if (form && event.key === "Enter" && event.ctrlKey) {
    event.preventDefault();
    save();
    return;
  }
  // out of a field, to where the keys are
  if (event.key === "Escape" && event.target.matches("input, textarea, select")) {
    event.target.blur();
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const inside = event.target;
  if (inside.matches("textarea, select, input:not([type=radio]):not([type=checkbox])")) return;
  const key = event.key.toLowerCase();
  if (form ? caseKey(key) : listKey(key)) event.preventDefault();
});

// what takes long says so, and is not sent twice
for (const slow of document.querySelectorAll("form[data-busy]")) {
  slow.addEventListener("submit", () => {
    const button = slow.querySelector("button");
    // the button's own value is sent with the form, so it is disabled after that
    setTimeout(() => { button.disabled = true; button.textContent = slow.dataset.busy; }, 0);
  });
}
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

let waiting = 0;
let sent = false;
function changed() {
  // what is saved is no draft any more
  if (!form || sent) return;
  clearTimeout(waiting);
  waiting = setTimeout(sendDraft, 600);
}
function sendDraft() {
  const given = new FormData(form);
  given.set("place", form.dataset.place);
  given.set("form", form.dataset.draftToken);
  // another command may hold the store just now
  const again = () => { if (!sent) waiting = setTimeout(sendDraft, 3000); };
  fetch(form.dataset.draft, { method: "POST", body: new URLSearchParams(given) })
    .then((answer) => { if (answer.status === 409) again(); }).catch(() => {});
}
if (form) {
  form.addEventListener("input", changed);
  // what is kept follows from a query or a referral; to be seen before it is sent
  const { query, refer_to: referTo } = form.elements;
  query.addEventListener("change", () => {
    if (query.value.trim() && !form.querySelector("input[name=status][value=referred]:checked")) tick("a");
  });
  referTo.addEventListener("change", () => { if (referTo.value) tick("r"); });
  form.addEventListener("submit", () => { sent = true; clearTimeout(waiting); });
  // what contributed is asked only of what holds
  form.addEventListener("change", (event) => onlyOfWhatHolds(event.target.closest(".finding")));
  form.addEventListener("focusin", (event) => {
    const inside = event.target.closest(".finding");
    if (inside) show(findings.indexOf(inside));
  });
}

// keys that were pressed before all this stood here, in their order
document.removeEventListener("keydown", keepPressed);
for (const key of pressedEarly) {
  document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
}
