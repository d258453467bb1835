// The work-up's fields, digit pad and species.

import { keepDraft, restoreDraft } from "./form.js";

let active = null;

const form = () => document.getElementById("fish");
const padded = () => [...form().querySelectorAll("[data-padded]")];

function activate(field) {
  active = field;
  for (const f of padded()) f.closest(".field").dataset.jsActive = f === field ? "yes" : "no";
}

/** A field's text by one key of the pad. */
function key(button) {
  const field = active && form().contains(active) ? active : padded()[0];
  const pressed = button.dataset.pad;
  if (pressed === "⇄") {
    const all = padded();
    const other = all[(all.indexOf(field) + 1) % all.length];
    other.focus();
    activate(other);
    return;
  }
  if (pressed === "⌫") field.value = field.value.slice(0, -1);
  else if (pressed === "." && field.value.includes(".")) return;
  else field.value += pressed;
  activate(field);
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

/** Puts a species that the list lacks among the choices. */
function addSpecies(name) {
  const clean = name.trim().toLowerCase().replace(/\s+/g, " ");
  if (!clean) return;
  let radio = [...form().elements["fish.species"]].find((r) => r.value === clean);
  if (!radio) {
    const label = document.createElement("label");
    radio = document.createElement("input");
    Object.assign(radio, { type: "radio", name: "fish.species", value: clean });
    Object.assign(radio.dataset, { as: "text", sticks: "" });
    const shown = document.createElement("span");
    shown.textContent = clean;
    label.append(radio, shown);
    document.getElementById("own-species").append(label);
  }
  radio.checked = true;
  radio.dispatchEvent(new Event("input", { bubbles: true }));
}

/** A name added here is on the program's own list once a fish bears it. */
function dropDoubles() {
  const own = document.getElementById("own-species");
  if (!own) return;
  const listed = [...form().elements["fish.species"]].filter((r) => !own.contains(r));
  for (const label of [...own.children]) {
    const mine = label.querySelector("input");
    const twin = listed.find((r) => r.value === mine.value);
    if (!twin) continue;
    if (mine.checked) twin.checked = true;
    label.remove();
  }
}

/** On a narrow screen the list makes room for the digits once a species is chosen. */
function chosen(event) {
  if (event.target.name !== "fish.species") return;
  if (matchMedia("(max-width: 759px)").matches) {
    document.getElementById("species").open = false;
    padded()[0].focus();
  }
}

/** The batch is of the species chosen for the fish. */
function follow() {
  const chosen = form().elements["fish.species"]?.value || "";
  if (!chosen) document.getElementById("species").open = true;
  for (const field of document.querySelectorAll("[data-follows]")) field.value = chosen;
  document.getElementById("chosen").textContent = chosen || "none chosen";
  for (const word of document.querySelectorAll(".follows")) {
    word.textContent = chosen || "the species chosen";
  }
}

/** Enter goes from length to mass and from mass to the next fish. */
function enter(event) {
  if (event.key !== "Enter" || !event.target.matches?.("[data-padded]")) return;
  const all = padded();
  const at = all.indexOf(event.target);
  if (at < all.length - 1) {
    event.preventDefault();
    all[at + 1].focus();
  }
}

export function start() {
  if (document.body.dataset.page !== "work-up" || !form()) return;
  const draft = JSON.parse(localStorage.getItem(`gravelbar/${document.body.dataset.visit}/draft/fish`) || "{}");
  if (draft["fish.species"]) {
    addSpecies(draft["fish.species"]);
    if (matchMedia("(max-width: 759px)").matches) document.getElementById("species").open = false;
  }
  restoreDraft(form());
  // A screen keyboard would cover the page; where there is a mouse, keys are typed anyway.
  document.addEventListener("focusin", (event) => {
    if (event.target.matches?.("[data-padded]")) activate(event.target);
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.dataset.pad) key(button);
    if (button?.id === "add-species") {
      const field = document.getElementById("another");
      addSpecies(field.value);
      field.value = "";
      keepDraft(form());
    }
  });
  document.addEventListener("keydown", enter);
  document.addEventListener("input", follow);
  document.addEventListener("change", chosen);
  document.addEventListener("shown", () => {
    dropDoubles();
    follow();
  });
  activate(padded()[0]);
  follow();
}
