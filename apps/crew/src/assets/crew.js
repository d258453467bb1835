// The crew's pages: forms that do one thing each, and stop-work in the visits at hand.

import { post } from "./queue.js";
import { hold } from "./press.js";
import { sound } from "./sound.js";

const HOLD_MS = 1000;

function say(form, words, state) {
  const said = form.querySelector("output.said");
  if (!said) return;
  said.textContent = words;
  said.dataset.state = state;
}

async function submit(form) {
  // The same name until it is answered: sent twice it is done once.
  const body = { tap_id: (form.dataset.jsTap ||= `crew-${crypto.randomUUID()}`) };
  for (const field of form.elements) {
    const unticked = (field.type === "radio" || field.type === "checkbox") && !field.checked;
    if (field.dataset.must && unticked) {
      say(form, field.dataset.must, "refused");
      return;
    }
    if (field.name && !unticked) body[field.name] = field.value;
  }
  say(form, "saving…", "saving");
  const result = await post(form.dataset.post, body);
  if (result.ok) {
    say(form, "✓ done", "saved");
    delete form.dataset.jsTap;
    location.assign(result.next);
    if (new URL(result.next, location.href).pathname === location.pathname) location.reload();
    return;
  }
  // What was refused for what it says is typed anew, under a name of its own.
  if (!result.again) delete form.dataset.jsTap;
  say(form, `Not done: ${result.words}`, "refused");
  sound("warning");
}

function stopper(button) {
  const how = button.querySelector(".how");
  hold(button, HOLD_MS, async () => {
    how.textContent = "stop is being sent: shout it";
    sound("stop");
    const tap = (button.dataset.jsTap ||= `stop-${crypto.randomUUID()}`);
    const visit = button.dataset.stopVisit;
    for (;;) {
      const result = await post(`/v/${visit}/act`, { tap_id: tap, by: button.dataset.by, facts: [{ stop: {} }] });
      if (result.ok) {
        location.assign(`/v/${visit}/safety`);
        return;
      }
      how.textContent = `not saved: ${result.words}`;
      if (!result.again) return;
      await new Promise((done) => setTimeout(done, 500));
    }
  });
}

export function start() {
  document.addEventListener("submit", (event) => {
    event.preventDefault();
    if (event.target.dataset.post) submit(event.target);
  });
  for (const button of document.querySelectorAll("button[data-stop-visit]")) stopper(button);
}
