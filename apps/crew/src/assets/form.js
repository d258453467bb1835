// Forms and buttons that record: what they fill in is written beside them by the program.

import { add, post } from "./queue.js";
import { sound } from "./sound.js";

const visit = document.body.dataset.visit;
const draftOf = (form) => `gravelbar/${visit}/draft/${form.id}`;

/** A typed value as its field wants it; undefined where it is left blank. */
export function typed(field) {
  const text = field.value.trim().replace(/\s+/g, " ");
  if (text === "") return undefined;
  switch (field.dataset.as) {
    case "number": {
      const number = Number(text.replace(",", "."));
      if (!Number.isFinite(number)) throw new Error(`“${text}” is no number`);
      return number;
    }
    case "count": {
      if (!/^\d{1,6}$/.test(text)) throw new Error(`“${text}” is no whole number`);
      return Number(text);
    }
    case "json":
      return JSON.parse(text);
    default:
      return text;
  }
}

function put(target, path, value) {
  const steps = path.split(".");
  const last = steps.pop();
  let at = target;
  for (const step of steps) at = at[step] ??= {};
  at[last] = value;
}

/** The facts of a form with its typed values filled in, and its reason. */
export function read(form) {
  const facts = JSON.parse(form.dataset.facts);
  let why;
  let made = facts;
  for (const field of form.elements) {
    if (!field.name || field.disabled) continue;
    if (field.type === "radio" && !field.checked) continue;
    if (field.type === "checkbox") {
      if (field.checked) put(made[0], field.name, true);
      continue;
    }
    if (field.dataset.as === "each") {
      // One fact for each number of a list.
      const numbers = field.value.split(/[\s;]+/).filter(Boolean);
      if (numbers.length === 0) throw new Error("type at least one number");
      made = numbers.map((text) => {
        const number = Number(text.replace(",", "."));
        if (!Number.isFinite(number)) throw new Error(`“${text}” is no number`);
        const fact = structuredClone(facts[0]);
        put(fact, field.name, number);
        return fact;
      });
      continue;
    }
    const value = typed(field);
    if (field.name === "why") why = value;
    else if (value !== undefined) put(made[0], field.name, value);
  }
  return { facts: made, why };
}

export function say(form, words, state) {
  const said = form.querySelector("output.said");
  if (!said) return;
  said.textContent = words;
  said.dataset.state = state;
}

/** Typed values as text, so that they can be put back. */
function drafted(form) {
  const draft = {};
  for (const field of form.elements) {
    if (!field.name || field.dataset.fixed !== undefined) continue;
    if (field.type === "radio") {
      if (field.checked) draft[field.name] = field.value;
    } else if (field.type === "checkbox") draft[field.name] = field.checked;
    else draft[field.name] = field.value;
  }
  return draft;
}

export function keepDraft(form) {
  try {
    localStorage.setItem(draftOf(form), JSON.stringify(drafted(form)));
  } catch {
    // A full storage costs the draft after a reload, nothing that was sent.
  }
}

export function dropDraft(form) {
  localStorage.removeItem(draftOf(form));
}

export function restoreDraft(form) {
  let draft;
  try {
    draft = JSON.parse(localStorage.getItem(draftOf(form)));
  } catch {
    draft = null;
  }
  if (!draft) return;
  for (const field of form.elements) {
    if (!(field.name in draft)) continue;
    if (field.type === "radio") field.checked = field.value === draft[field.name];
    else if (field.type === "checkbox") field.checked = draft[field.name];
    else field.value = draft[field.name];
  }
}

/** Blanks what belongs to one entry; what is marked as sticking stays. */
function next(form) {
  for (const field of form.elements) {
    const stays = field.dataset.sticks !== undefined || field.closest("[data-stay]");
    if (stays || !field.name || field.type === "hidden") continue;
    if (field.type === "radio") field.checked = field.defaultChecked;
    else if (field.type === "checkbox") field.checked = field.defaultChecked;
    else field.value = field.defaultValue;
  }
  form.querySelector("[data-first]")?.focus();
}

async function submit(form) {
  let entry;
  try {
    entry = read(form);
  } catch (error) {
    say(form, `Not saved: ${error.message}`, "refused");
    sound("warning");
    return;
  }
  say(form, "saving…", "saving");
  const sent = add({ ...entry, label: form.dataset.label || form.id, form: form.id });
  const result = await sent.settled;
  if (result.ok) {
    say(form, "✓ saved", "saved");
    sound("tap");
    next(form);
    keepDraft(form);
  } else {
    say(form, `Not saved: ${result.words}`, "refused");
    sound("warning");
  }
}

/** Sends a form that isn't an act: who holds the device, a signature. */
async function deliver(form) {
  const body = { tap_id: (form.dataset.jsTap ||= `direct-${crypto.randomUUID()}`) };
  body.by = document.body.dataset.me;
  for (const field of form.elements) {
    if (field.dataset.must && !field.checked) {
      say(form, field.dataset.must, "refused");
      return;
    }
    if (!field.name || ((field.type === "radio" || field.type === "checkbox") && !field.checked)) continue;
    body[field.name] = field.value.trim();
  }
  say(form, "saving…", "saving");
  const result = await post(form.dataset.post, body);
  if (!result.ok) {
    say(form, `Not done: ${result.words}`, "refused");
    sound("warning");
    return;
  }
  delete form.dataset.jsTap;
  dropDraft(form);
  say(form, result.invitation ? "" : "✓ done", "saved");
  const shown = form.querySelector("[data-invitation]");
  if (shown && result.invitation) {
    shown.value = result.invitation;
    shown.hidden = false;
    shown.select();
  } else if (result.next) location.assign(result.next);
}

async function press(button) {
  const said = button.parentElement.querySelector("output.said");
  const state = (words, name) => {
    if (said) {
      said.textContent = words;
      said.dataset.state = name;
    }
  };
  state("saving…", "saving");
  const act = { facts: JSON.parse(button.dataset.act), label: button.textContent.trim() };
  const result = await add(act).settled;
  sound(result.ok ? "tap" : "warning");
  state(result.ok ? "✓ saved" : "not saved", result.ok ? "saved" : "refused");
}

/** Seconds since it was started, into the field it names. */
function stopwatch(button) {
  const field = button.form.elements[button.dataset.watch];
  if (button.dataset.jsSince) {
    const seconds = (performance.now() - Number(button.dataset.jsSince)) / 1000;
    field.value = String(Math.round(seconds));
    delete button.dataset.jsSince;
    button.textContent = button.dataset.again;
    field.dispatchEvent(new Event("input", { bubbles: true }));
    return;
  }
  button.dataset.jsSince = String(performance.now());
  button.dataset.again = button.dataset.again || button.textContent;
  const tick = () => {
    if (!button.dataset.jsSince) return;
    const seconds = (performance.now() - Number(button.dataset.jsSince)) / 1000;
    button.textContent = `${Math.floor(seconds)} s: press when upright`;
    requestAnimationFrame(tick);
  };
  tick();
}

/** Fills fields from what a button carries: the same as last time, a step up. */
function fill(button) {
  for (const [name, value] of Object.entries(JSON.parse(button.dataset.fill))) {
    const field = button.form.elements[name];
    if (!field) continue;
    field.value = value ?? "";
    field.dispatchEvent?.(new Event("input", { bubbles: true }));
  }
  keepDraft(button.form);
}

export function start() {
  document.addEventListener("submit", (event) => {
    event.preventDefault();
    const form = event.target;
    if (form.dataset.post) deliver(form);
    else if (form.dataset.facts) submit(form);
  });
  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (form?.id && (form.dataset.facts || form.dataset.post)) {
      keepDraft(form);
      say(form, "", "");
    }
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.act) press(button);
    else if (button.dataset.watch) stopwatch(button);
    else if (button.dataset.fill) fill(button);
  });
  for (const form of document.querySelectorAll("form[id]")) restoreDraft(form);
}
