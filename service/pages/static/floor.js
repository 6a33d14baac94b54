// Scanning into the field of codes: a scanner sends Enter after each code, and Enter on an empty line sends the form.

for (const form of document.querySelectorAll("form[data-scan]")) {
  const codes = form.querySelector("textarea");
  const count = form.querySelector("[data-count]");
  const part = form.querySelector("input[name=mass_kg]");

  const tell = () => {
    const lines = codes.value.split("\n").filter((line) => line.trim()).length;
    count.textContent = lines ? `${lines} ${lines === 1 ? "line" : "lines"}` : "";
  };
  codes.addEventListener("input", tell);
  tell();

  codes.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.shiftKey || event.isComposing || !codes.value.trim()) return;
    const before = codes.value.slice(0, codes.selectionStart);
    const after = codes.value.slice(codes.selectionEnd);
    const onEmptyLine = (before === "" || before.endsWith("\n")) && (after === "" || after.startsWith("\n"));
    if (!onEmptyLine) return;
    event.preventDefault();
    form.requestSubmit();
  });

  // Kilograms typed are a part; nobody has to say so a second time.
  part.addEventListener("input", () => {
    const choice = form.querySelector(`input[name=amount][value=${part.value.trim() ? "mass" : "whole"}]`);
    if (part.value.trim() || form.querySelector("input[name=amount][value=mass]").checked) choice.checked = true;
  });

  // After a refusal the next scan goes on a line of its own; what stands there is kept.
  if (codes.getAttribute("aria-invalid") && !document.querySelector("[autofocus]")) {
    if (!codes.value.endsWith("\n")) codes.value += "\n";
    codes.focus();
    codes.setSelectionRange(codes.value.length, codes.value.length);
  }
}
