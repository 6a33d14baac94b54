// Forms without a mouse: Enter goes to the next empty field and sends from the last one; a form is sent once.

function fieldsOf(form) {
  const kinds = "input:not([type=hidden]):not([type=checkbox]):not([type=radio]):not([type=file]), select";
  return [...form.querySelectorAll(kinds)].filter((field) => !field.disabled && field.offsetParent !== null);
}

document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || event.isComposing || !field.matches?.("form[data-enter-moves] input, form[data-enter-moves] select")) return;
  if (field.matches("[type=checkbox], [type=radio], [type=file]")) return;
  const fields = fieldsOf(field.form);
  // What the plate has filled in is passed over; Tab still reaches it.
  const next = fields.slice(fields.indexOf(field) + 1).find((other) => other.required ? !other.value : other.dataset.stop !== undefined);
  event.preventDefault();
  if (next) next.focus();
  else field.form.requestSubmit();
});

function release(form) {
  delete form.dataset.sent;
  form.removeAttribute("aria-busy");
}

// The server records a form once whatever happens; this only spares the second waiting.
document.addEventListener("submit", (event) => {
  if (event.defaultPrevented || event.target.method === "get") return;
  if (event.target.dataset.sent) { event.preventDefault(); return; }
  event.target.dataset.sent = "yes";
  event.target.setAttribute("aria-busy", "true");
  // A load that was stopped must not leave a form that cannot be sent; its key sees to it that nothing is doubled.
  setTimeout(() => release(event.target), 8000);
});
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) {
    release(form);
  }
});

for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
