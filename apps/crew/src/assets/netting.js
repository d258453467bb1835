// The netters' pads: a tap counts on the page at once and is shown as saved once it is.

import { acts, add } from "./queue.js";
import { TWO_TOUCHES, stray } from "./press.js";
import { sound } from "./sound.js";

const visit = document.body.dataset.visit;
const LAST = `gravelbar/${visit}/last-species`;
const BUCKET = `gravelbar/${visit}/bucket`;
const RECENT = `gravelbar/${visit}/recent`;
const RECENT_KEPT = 100;
const STRIP = 3;
const COMPLAINT_MS = 5000;

/** Taps answered as saved that the page's numbers don't hold yet. */
const arriving = new Map();
let late = false;
/** Why the last press counted for nothing, while it is news. */
let complaint = "";
let several = null;

function recent() {
  try {
    return JSON.parse(localStorage.getItem(RECENT)) || [];
  } catch {
    return [];
  }
}

function setRecent(taps) {
  try {
    localStorage.setItem(RECENT, JSON.stringify(taps.slice(-RECENT_KEPT)));
  } catch {
    // The list on the page still offers every tap for taking back.
  }
}

const pads = () => document.querySelector(".pads");
const bucket = () => document.getElementById("bucket")?.value.trim() || "";

/** Records one tap on the pad's species. */
function tap(pad, n, kind) {
  const plus = pad.querySelector(".plus");
  const facts = JSON.parse(kind === "escape" ? plus.dataset.away : plus.dataset.tap);
  count(facts, pad.dataset.species, n, kind);
}

function count(facts, species, n, kind) {
  const fact = facts[0][kind === "escape" ? "escape" : "tally"];
  fact.n = n;
  if (kind === "tally" && bucket()) fact.bucket = bucket();
  const words = `${species} +${n}${kind === "escape" ? " got away" : ""}`;
  const act = add({ facts, label: words, kind, species, n, pass: fact.pass });
  const { tap_id: tapId, settled } = act;
  setRecent([...recent(), { tapId, words, by: document.body.dataset.me, pass: fact.pass }]);
  settled.then((result) => {
    if (result.ok) arriving.set(tapId, { species, n, kind, pass: fact.pass, at: result.at });
    else setRecent(recent().filter((t) => t.tapId !== tapId));
    show();
  });
  localStorage.setItem(LAST, species);
  sound("tap");
  show();
  return act;
}

/** Takes back the newest tap of this person that isn't taken back. */
function undo() {
  const me = document.body.dataset.me;
  const taps = recent();
  const last = taps.findLast((t) => t.by === me && !t.undone);
  if (last) {
    last.undone = true;
    setRecent(taps);
    add({ undo: last.tapId, label: `take back ${last.words}`, kind: "undo" });
    sound("undo");
    show();
    return;
  }
  // Nothing of this page: the newest the program knows of.
  document.querySelector("#mine li button[data-act]")?.click();
}

function unsaved(species, kind, pass) {
  const sum = (taps) =>
    taps
      .filter((t) => t.species === species && t.kind === kind && t.pass === pass && !t.refused)
      .reduce((n, t) => n + t.n, 0);
  return sum(acts()) + sum([...arriving.values()]);
}

function show() {
  const box = pads();
  if (!box) return;
  const pass = box.dataset.pass;
  box.dataset.jsLate = late ? "yes" : "no";
  for (const pad of box.querySelectorAll(".pad")) {
    const { species } = pad.dataset;
    const n = unsaved(species, "tally", pass);
    const away = unsaved(species, "escape", pass);
    const said = [n && `+${n}`, away && `+${away} got away`].filter(Boolean);
    pad.querySelector(".unsaved").textContent = said.length ? `${said.join(", ")} not yet saved` : "";
  }
  showAgain(box);
  showTaps();
}

/** The topmost pad repeats the last species; it changes only when another one is tapped. */
function showAgain(box) {
  const again = document.getElementById("again");
  const last = localStorage.getItem(LAST);
  const pad = [...box.querySelectorAll(".pad")].find((p) => p.dataset.species === last);
  // Its place is kept while it is empty, so that no pad moves under the thumb at the first tap.
  for (const button of again.querySelectorAll("button")) button.disabled = !pad;
  again.querySelector(".name").textContent = pad ? last : "the last species";
}

function showTaps() {
  const list = document.getElementById("taps");
  const open = new Map(acts().map((a) => [a.tap_id, a]));
  const mine = recent().filter((t) => t.by === document.body.dataset.me);
  const said = complaint ? [complaining()] : [];
  list.replaceChildren(
    ...said,
    ...mine.slice(-STRIP).reverse().map((t) => {
      const line = document.createElement("li");
      const act = open.get(t.tapId);
      const state = act?.refused ? "✕ not saved" : act ? "… saving" : "✓ saved";
      line.dataset.state = act?.refused ? "refused" : act ? "saving" : "saved";
      line.textContent = `${t.words}: ${t.undone ? "taken back" : state}`;
      return line;
    }),
  );
  const last = mine.findLast((t) => !t.undone);
  const button = document.getElementById("undo");
  button.disabled = !last && !document.querySelector("#mine li");
  button.textContent = last ? `↶ undo ${last.words}` : "↶ undo last";
}

/** A number of fish, typed on large digits. */
function openMany(pad) {
  const dialog = document.getElementById("many");
  several = pad;
  dialog.querySelector(".name").textContent = pad.dataset.species;
  dialog.querySelector(".n").textContent = "0";
  // Not modal: the stop below it must stay within reach.
  dialog.show();
}

function many(button) {
  const dialog = document.getElementById("many");
  const shown = dialog.querySelector(".n");
  const n = Number(shown.textContent);
  if (button.dataset.digit === "C") shown.textContent = "0";
  else if (button.dataset.digit) {
    if (shown.textContent.length < 4) shown.textContent = String(n * 10 + Number(button.dataset.digit));
  } else if (button.dataset.do === "leave") dialog.close();
  else if (button.dataset.do && n > 0) {
    tap(several, n, button.dataset.do === "count" ? "tally" : "escape");
    dialog.close();
  }
}

function complaining() {
  const line = document.createElement("li");
  line.dataset.state = "refused";
  line.textContent = `✕ ${complaint}`;
  return line;
}

function complain(words) {
  complaint = words;
  sound("warning");
  show();
  setTimeout(() => {
    if (complaint === words) complaint = "";
    show();
  }, COMPLAINT_MS);
}

function click(event) {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.closest("#many")) return many(button);
  if (button.id === "undo") return undo();
  if (button.id === "late") {
    late = true;
    return show();
  }
  const box = button.closest(".pads");
  if (!box) return;
  const why = stray(event);
  if (why) return complain(why);
  if (box.dataset.locked !== undefined && !late) {
    return complain("this pass is not open: nothing counted");
  }
  if (button.closest("#again")) {
    const last = localStorage.getItem(LAST);
    const pad = [...box.querySelectorAll(".pad")].find((p) => p.dataset.species === last);
    if (pad) tap(pad, 1, button.classList.contains("escaped") ? "escape" : "tally");
  } else if (button.dataset.tap) tap(button.closest(".pad"), 1, "tally");
  else if (button.dataset.more !== undefined) openMany(button.closest(".pad"));
}

async function another(event) {
  if (event.target.id !== "other-form") return;
  const form = event.target;
  const species = form.elements.species.value.trim().toLowerCase().replace(/\s+/g, " ");
  const said = form.querySelector("output.said");
  if (!species) {
    said.textContent = "type a name";
    return;
  }
  const facts = [{ tally: { pass: form.dataset.pass, species, n: 1 } }];
  const result = await count(facts, species, 1, "tally").settled;
  said.textContent = result.ok ? "" : result.words;
  if (result.ok) form.reset();
}

let openBefore = null;

/** Every page says aloud that a pass was opened or closed. */
function passChanged() {
  const open = document.querySelector("[data-open]")?.dataset.open ?? "";
  if (openBefore !== null && openBefore !== open) sound("pass");
  openBefore = open;
}

export function start() {
  passChanged();
  document.addEventListener("shown", passChanged);
  if (document.body.dataset.page !== "tally") return;
  document.addEventListener("click", click);
  // Most browsers make no click of two touches at all: say so all the same.
  document.addEventListener("pointerdown", (event) => {
    const second = event.pointerType === "touch" && !event.isPrimary;
    if (second && event.target.closest?.(".pads")) complain(TWO_TOUCHES);
  });
  document.addEventListener("submit", another);
  document.addEventListener("queue", show);
  document.addEventListener("shown", (event) => {
    // The page was asked for after these were saved, so that its numbers hold them.
    for (const [tapId, t] of arriving) if (t.at <= event.detail.begun) arriving.delete(tapId);
    show();
  });
  const field = document.getElementById("bucket");
  if (field) {
    field.value = localStorage.getItem(BUCKET) || "";
    field.addEventListener("input", () => localStorage.setItem(BUCKET, field.value));
  }
  show();
}
