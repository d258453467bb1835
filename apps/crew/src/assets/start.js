// The list of visits: start one, open a plan, join one, name this device.

import { post } from "./queue.js";

const DRAFT = "gravelbar/start/";

async function submit(form) {
  const said = form.querySelector("output.said");
  const body = {};
  for (const field of form.elements) if (field.name) body[field.name] = field.value;
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

export function start() {
  for (const form of document.querySelectorAll("form[data-post]")) {
    const kept = JSON.parse(localStorage.getItem(DRAFT + form.id) || "{}");
    for (const field of form.elements) if (field.name in kept) field.value = kept[field.name];
    form.addEventListener("input", () => {
      const draft = {};
      for (const field of form.elements) if (field.name) draft[field.name] = field.value;
      localStorage.setItem(DRAFT + form.id, JSON.stringify(draft));
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      submit(form);
    });
  }
}
