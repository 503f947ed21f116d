// Small help for every page: focus on what is wrong, one press makes one record, and news for screen readers.

/** Move the focus to an error summary that has just come; one that was there before keeps to itself. */
function focusErrors() {
  const summary = document.querySelector("[data-error-summary]:not([data-seen])");
  if (!summary) return;
  summary.dataset.seen = "yes";
  summary.focus();
}

/** Say something in the page's one polite live region. */
function announce(words) {
  const region = document.getElementById("announcement");
  if (region && words) region.textContent = words;
}

/** Refuse a second press of the same form within two seconds; the server refuses the second record too. */
function onePress(event) {
  const form = event.target;
  if (event.defaultPrevented || form.method === "get") return;
  const pressed = Number(form.dataset.pressedAt || 0);
  if (Date.now() - pressed < 2000) {
    event.preventDefault();
    return;
  }
  form.dataset.pressedAt = String(Date.now());
}

focusErrors();
document.addEventListener("submit", onePress);
document.addEventListener("htmx:afterSettle", focusErrors);
// The server may send HX-Trigger: {"announce": "12 patients"}.
document.addEventListener("announce", (event) => announce(event.detail.value));
document.addEventListener("htmx:sendError", () => announce("The server cannot be reached. Nothing was sent."));
