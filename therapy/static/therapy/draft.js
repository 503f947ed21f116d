// Keeps a half-filled record in this browser tab until it is recorded, so that a timed-out sign-in loses nothing.
// It stays in the tab (sessionStorage), is shown only to the person who typed it, and goes when it was recorded,
// when it is thrown away, or after twelve hours: what was measured yesterday must not fill in a treatment of today.

const LIFE_MS = 12 * 3600 * 1000;
const form = document.querySelector("form[data-draft]");
const words = document.querySelector("[data-draft-words]");
const back = document.querySelector("[data-draft-back]");

function keyOf(person) {
  return `draft:${person}:${window.location.pathname}`;
}

function keep() {
  const typed = [...new FormData(form)].filter(([name]) => name !== "csrfmiddlewaretoken");
  sessionStorage.setItem(keyOf(form.dataset.draft), JSON.stringify({ at: Date.now(), typed }));
  if (words) words.textContent = "Nothing is recorded yet. The draft stays in this tab.";
}

/** The draft of this page and person, or nothing where there is none or it is too old or not readable. */
function kept() {
  const key = keyOf(form.dataset.draft);
  try {
    const draft = JSON.parse(sessionStorage.getItem(key));
    if (draft && Array.isArray(draft.typed) && Date.now() - draft.at < LIFE_MS) return draft;
  } catch {
    // Falls through: what cannot be read is thrown away.
  }
  sessionStorage.removeItem(key);
  return null;
}

function restore() {
  if ("draftShown" in form.dataset) return;
  const draft = kept();
  if (!draft) return;
  const values = new Map();
  for (const [name, value] of draft.typed) values.set(name, [...(values.get(name) || []), value]);
  // What a stop has recorded already is not taken back by an older draft.
  const stands = (form.dataset.draftKeep || "").split(" ");
  for (const field of form.elements) {
    if (!field.name || field.name === "csrfmiddlewaretoken" || field.type === "submit") continue;
    if (stands.includes(field.name)) continue;
    const given = values.get(field.name) || [];
    if (field.type === "radio" || field.type === "checkbox") field.checked = given.includes(field.value);
    else if (given.length) field.value = given[0];
  }
  for (const details of form.querySelectorAll("details")) {
    if (details.querySelector("input:checked:not([value='']), input[type=text]:not([value=''])")) details.open = true;
  }
  if (words) words.textContent = "Your draft is back. Nothing is recorded yet.";
  if (back) {
    const at = new Date(draft.at);
    const time = [at.getHours(), at.getMinutes()].map((part) => String(part).padStart(2, "0")).join(":");
    back.querySelector("[data-draft-at]").textContent = time;
    back.hidden = false;
  }
  // What the numbers say is asked again of the server.
  const number = form.querySelector("[name=before_spo2]");
  if (number) setTimeout(() => number.dispatchEvent(new Event("change", { bubbles: true })), 0);
}

/** An empty page of the treatment again, with a record of its own. */
function throwAway() {
  sessionStorage.removeItem(keyOf(form.dataset.draft));
  window.location.replace(window.location.pathname);
}

if (form) {
  document.addEventListener("DOMContentLoaded", restore);
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
  if (back) back.querySelector("button").addEventListener("click", throwAway);
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
