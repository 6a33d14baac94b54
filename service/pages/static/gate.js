// The gate's two conveniences: the plate brings what is known of it, and the net stands there while the tare is typed.
// Both only show; the server looks the plate up again without this, and computes the net itself.

const plate = document.querySelector("[name=plate]");
const button = document.querySelector("[data-plate-button]");

async function bringWhatIsKnown() {
  const words = document.querySelector("[data-plate-words]");
  const body = new URLSearchParams({ plate: plate.value });
  const answer = await fetch("/gate/plate", { method: "POST", body });
  if (!answer.ok) return;
  const known = await answer.json();
  words.textContent = known.words ?? "Not here before.";
  for (const name of ["supplier", "material", "carrier"]) {
    const field = plate.form.elements[name];
    // What somebody typed himself stays; only what an earlier plate brought is replaced, by nothing if need be.
    if (field && (!field.value || field.dataset.brought === field.value)) {
      field.value = known[name] ?? "";
      field.dataset.brought = field.value;
    }
  }
}

if (plate && button) {
  button.hidden = true;
  let lookedUp = plate.value;
  let looking = Promise.resolve();
  // Leaving the field and pressing Enter in it ask for the same look-up; both wait for the one that is under way.
  const lookUp = () => {
    if (plate.value.trim() !== "" && plate.value !== lookedUp) {
      lookedUp = plate.value;
      looking = bringWhatIsKnown().catch(() => { /* without a network the clerk types on */ });
    }
    return looking;
  };
  plate.addEventListener("change", lookUp);
  plate.addEventListener("keydown", async (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    event.stopPropagation();
    const onward = () => {
      const fields = [...plate.form.querySelectorAll("input:not([type=hidden]):not([type=radio]), select")];
      const next = fields.slice(fields.indexOf(plate) + 1)
        .find((field) => field.offsetParent !== null && !field.value && (field.required || field.dataset.stop !== undefined));
      (next ?? fields.at(-1)).focus();
    };
    // At once: a key pressed while the server looks must not go into the plate. What it brings is passed over then.
    onward();
    const waitingAt = document.activeElement;
    await lookUp();
    if (document.activeElement === waitingAt && waitingAt.value && waitingAt.dataset.brought === waitingAt.value) onward();
  });
}

// Thousandths of a kilogram as whole numbers; null for anything the server would have to ask about.
function thousandths(text) {
  const match = /^(\d{1,7})(?:[.,](\d{1,3}))?$/.exec(text.trim());
  if (!match || (match[1].length <= 3 && match[2]?.length === 3)) return null;
  return Number(match[1]) * 1000 + Number((match[2] ?? "").padEnd(3, "0"));
}

const weighing = document.querySelector("form[data-gross]");
if (weighing) {
  const gross = Number(weighing.dataset.gross.replace(".", ""));
  const shown = weighing.querySelector("[data-net]");
  weighing.elements.mass_kg.addEventListener("input", (event) => {
    const tare = thousandths(event.target.value);
    shown.hidden = tare === null;
    if (tare === null) return;
    const net = gross - tare;
    const whole = String(Math.trunc(Math.abs(net) / 1000)).replace(/\B(?=(\d{3})+$)/g, "\u202f");
    const rest = String(Math.abs(net) % 1000).padStart(3, "0").replace(/0+$/, "");
    shown.textContent = net > 0 ? `Net ${whole}${rest && `.${rest}`} kg` : "The tare is not below the gross mass.";
  });
}
