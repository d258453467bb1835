// Presses meant as presses: not two drops of water, not a brush of a sleeve.

export const TWO_TOUCHES = "two touches at once: nothing counted, tap again";
const SHORTEST_TOUCH_MS = 35;
let crowded = false;
let downAt = 0;

document.addEventListener(
  "pointerdown",
  (event) => {
    if (event.pointerType !== "touch") return;
    // The first of several touches is the primary one; a touch alone always is.
    crowded = !event.isPrimary;
    if (event.isPrimary) downAt = event.timeStamp;
  },
  { capture: true, passive: true },
);

/** Why this click counts for nothing, or "". */
export function stray(event) {
  if (event.pointerType !== "touch") return "";
  if (crowded) return TWO_TOUCHES;
  if (event.timeStamp - downAt < SHORTEST_TOUCH_MS) return "too short a touch: nothing counted, tap again";
  return "";
}

/** Calls `done` once `button` has been held for `ms`, by finger or by space or enter. */
export function hold(button, ms, done) {
  let timer = null;
  const begin = () => {
    if (timer !== null) return;
    button.dataset.jsHeld = "yes";
    timer = setTimeout(() => {
      end();
      done();
    }, ms);
  };
  const end = () => {
    clearTimeout(timer);
    timer = null;
    delete button.dataset.jsHeld;
  };
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    button.setPointerCapture?.(event.pointerId);
    begin();
  });
  for (const kind of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) {
    button.addEventListener(kind, end);
  }
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    begin();
  });
  button.addEventListener("keyup", end);
}
