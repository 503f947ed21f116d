// Keeps a half-filled record in this browser tab until it is recorded, so that a timed-out sign-in loses nothing.
// It stays in the tab (sessionStorage), is shown only to the person who typed it, and goes when it was recorded.

const form = document.querySelector("form[data-draft]");
const words = document.querySelector("[data-draft-words]");

function keyOf(person) {
  return `draft:${person}:${window.location.pathname}`;
}

function keep() {
  const typed = [...new FormData(form)].filter(([name]) => name !== "csrfmiddlewaretoken");
  sessionStorage.setItem(keyOf(form.dataset.draft), JSON.stringify(typed));
  if (words) words.textContent = "Nothing is recorded yet. The draft stays in this tab.";
}

function restore() {
  const kept = sessionStorage.getItem(keyOf(form.dataset.draft));
  if (!kept || "draftShown" in form.dataset) return;
  const values = new Map();
  for (const [name, value] of JSON.parse(kept)) values.set(name, [...(values.get(name) || []), value]);
  for (const field of form.elements) {
    if (!field.name || field.name === "csrfmiddlewaretoken" || field.type === "submit") continue;
    const given = values.get(field.name) || [];
    if (field.type === "radio" || field.type === "checkbox") field.checked = given.includes(field.value);
    else if (given.length) field.value = given[0];
  }
  for (const details of form.querySelectorAll("details")) {
    if (details.querySelector("input:checked:not([value='']), input[type=text]:not([value=''])")) details.open = true;
  }
  if (words) words.textContent = "Your draft is back. Nothing is recorded yet.";
  // What the numbers say is asked again of the server.
  const number = form.querySelector("[name=before_spo2]");
  if (number) setTimeout(() => number.dispatchEvent(new Event("change", { bubbles: true })), 0);
}

if (form) {
  document.addEventListener("DOMContentLoaded", restore);
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
}

// The page of a stored treatment: its draft is no longer wanted.
const done = document.querySelector("[data-draft-done]");
if (done) {
  for (const key of Object.keys(sessionStorage)) {
    if (key.startsWith("draft:") && (sessionStorage.getItem(key) || "").includes(done.dataset.draftDone)) {
      sessionStorage.removeItem(key);
    }
  }
}
