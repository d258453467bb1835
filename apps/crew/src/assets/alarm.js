// Stop-work: raised by press and hold on any page, shown over everything on every page.

import { add } from "./queue.js";
import { hold } from "./press.js";
import { canSound, sound } from "./sound.js";

const HOLD_MS = 1000;
const REPEAT_MS = 1500;
const HEARD = `gravelbar/${document.body.dataset.visit}/heard`;
const takeover = document.getElementById("takeover");
const stopped = document.getElementById("stopped");
let ringing = null;
/** Whether the answer was pressed since the alarm began: not the release of the hold that raised it. */
let pressed = false;

function standing() {
  return (stopped.dataset.stops || "").split(" ").filter(Boolean);
}

/** Stops that this device's holder has already answered; one more starts the alarm again. */
function heard() {
  return (localStorage.getItem(HEARD) || "").split(" ");
}

function ring() {
  sound("stop");
  document.getElementById("sounding").textContent = canSound()
    ? "The alarm sounds on this device until you press the button."
    : "▲ The alarm can't sound on this device before the page is touched once.";
}

function check() {
  const known = heard();
  const fresh = standing().some((stop) => !known.includes(stop));
  if (fresh && !takeover.open) {
    pressed = false;
    takeover.showModal();
    document.getElementById("heard").focus();
    ring();
    ringing = setInterval(ring, REPEAT_MS);
  } else if (!fresh && takeover.open) {
    quiet();
  }
}

function quiet() {
  clearInterval(ringing);
  ringing = null;
  if (takeover.open) takeover.close();
}

export function start() {
  const button = document.getElementById("stop");
  hold(button, HOLD_MS, () => {
    const said = button.querySelector(".how");
    said.textContent = "stop is being sent: shout it";
    sound("stop");
    const sent = add({ facts: JSON.parse(button.dataset.stop), label: "stop work", urgent: true });
    sent.settled.then((result) => {
      said.textContent = result.ok ? "hold for one second" : result.words;
    });
  });
  const answer = document.getElementById("heard");
  answer.addEventListener("pointerdown", () => {
    pressed = true;
  });
  answer.addEventListener("keydown", (event) => {
    if (!event.repeat) pressed = true;
  });
  answer.addEventListener("click", () => {
    if (!pressed) return;
    localStorage.setItem(HEARD, standing().join(" "));
    quiet();
  });
  takeover.addEventListener("cancel", (event) => event.preventDefault());
  document.addEventListener("shown", check);
  check();
}
