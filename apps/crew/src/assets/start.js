// The list of visits: start one, open a plan, join one, name this device.

import { post } from "./queue.js";

const DRAFT = "gravelbar/start/";

async function submit(form) {
  const said = form.querySelector("output.said");
  const body = {};
  for (const field of form.elements) {
    if (field.name && (field.type !== "radio" || field.checked)) body[field.name] = field.value;
  }
  said.textContent = "working…";
  said.dataset.state = "saving";
  const result = await post(form.dataset.post, body);
  if (result.ok) {
    localStorage.removeItem(DRAFT + form.id);
    location.assign(result.next);
    return;
  }
  said.textContent = `Not done: ${result.words}`;
  said.dataset.state = "refused";
}

/** What is worth keeping over a reload: not what was chosen of a list that changes, and no code. */
const typed = (field) => field.name && field.type !== "radio" && field.name !== "code";

/** The devices open for joining, as the program hears them while this page is looked at. */
function listJoinable(list) {
  const none = list.querySelector("[data-none]");
  const show = (labels) => {
    const chosen = list.querySelector("input:checked")?.value;
    for (const old of list.querySelectorAll("label")) {
      if (!labels.includes(old.dataset.label)) old.remove();
    }
    const known = [...list.querySelectorAll("label")].map((old) => old.dataset.label);
    for (const label of labels.filter((label) => !known.includes(label))) {
      const line = document.createElement("label");
      line.dataset.label = label;
      const radio = Object.assign(document.createElement("input"), { type: "radio", name: "label", value: label });
      const words = document.createElement("span");
      words.textContent = label;
      line.append(radio, words);
      list.append(line);
    }
    // The only one needs no choosing; with a second the choice is the person's.
    const radios = [...list.querySelectorAll("input")];
    if (radios.length === 1) radios[0].checked = true;
    else if (!radios.some((radio) => radio.checked && radio.value === chosen && list.dataset.jsChosen)) {
      for (const radio of radios) radio.checked = false;
    }
    none.hidden = radios.length > 0;
  };
  list.addEventListener("change", () => (list.dataset.jsChosen = "yes"));
  let events = null;
  const look = () => {
    if (document.hidden) {
      events?.close();
      events = null;
    } else if (!events) {
      events = new EventSource(list.dataset.list);
      events.addEventListener("joinable", (event) => show(JSON.parse(event.data)));
    }
  };
  document.addEventListener("visibilitychange", look);
  look();
}

export function start() {
  for (const list of document.querySelectorAll("[data-list]")) listJoinable(list);
  for (const form of document.querySelectorAll("form[data-post]")) {
    const kept = JSON.parse(localStorage.getItem(DRAFT + form.id) || "{}");
    for (const field of form.elements) if (typed(field) && field.name in kept) field.value = kept[field.name];
    form.addEventListener("input", () => {
      const draft = {};
      for (const field of form.elements) if (typed(field)) draft[field.name] = field.value;
      localStorage.setItem(DRAFT + form.id, JSON.stringify(draft));
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      submit(form);
    });
  }
}
