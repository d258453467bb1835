// Keeps the page as the program has it, without touching what someone is typing.
//
// The program says "changed"; the page asks for itself again and brings its marked regions to the
// new state node by node, so that buttons stay the same buttons under the thumb and fields keep
// what was typed, their focus and their place.

const body = document.body;
const visit = body.dataset.visit;
let asking = null;
let again = false;

/** Brings `old` to the state of `fresh`. */
export function bring(old, fresh) {
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  if (old.nodeType !== Node.ELEMENT_NODE || old.dataset?.own !== undefined) return;
  for (const { name } of [...old.attributes]) {
    const ours = name === "open" || name.startsWith("data-js-");
    if (!ours && !fresh.hasAttribute(name)) old.removeAttribute(name);
  }
  for (const { name, value } of fresh.attributes) {
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  bringChildren(old, fresh);
}

/**
 * What makes a node the same node in the new state. Fields go by their names, so that what was
 * typed never moves into another field when one is added before it.
 */
function keyOf(node) {
  if (node.nodeType !== Node.ELEMENT_NODE) return "";
  if (node.id || node.dataset.key) return node.id || node.dataset.key;
  const field = node.matches("label, fieldset") ? node.querySelector("[name]") : node;
  if (!field?.getAttribute("name")) return "";
  const one = field.type === "radio" && node.nodeName !== "FIELDSET" ? `=${field.value}` : "";
  return `${node.nodeName} ${field.getAttribute("name")}${one}`;
}

function alike(old, fresh) {
  return (
    old.nodeType === fresh.nodeType &&
    old.nodeName === fresh.nodeName &&
    keyOf(old) === keyOf(fresh) &&
    (keyOf(old) !== "" || old.classList?.[0] === fresh.classList?.[0])
  );
}

function bringChildren(old, fresh) {
  const keyed = new Map();
  for (const child of old.children) if (keyOf(child)) keyed.set(keyOf(child), child);
  let at = old.firstChild;
  const wanted = [...fresh.childNodes];
  wanted.forEach((want, i) => {
    const known = keyOf(want) ? keyed.get(keyOf(want)) : null;
    if (known && alike(known, want)) {
      // Whatever stands before a known node and is not known in the new state goes.
      while (at && at !== known && !stillWanted(at, fresh)) at = dropped(at);
      if (at === known) at = at.nextSibling;
      else old.insertBefore(known, at);
      bring(known, want);
      return;
    }
    // What has no name goes only if nothing further on is like it: it may just have moved down.
    const rest = wanted.slice(i + 1);
    const over = (node) => !keyOf(node) && !rest.some((later) => alike(node, later));
    while (at && !alike(at, want) && over(at)) at = dropped(at);
    if (at && alike(at, want)) {
      bring(at, want);
      at = at.nextSibling;
    } else {
      old.insertBefore(document.importNode(want, true), at);
    }
  });
  while (at) at = dropped(at);
}

function stillWanted(node, fresh) {
  const key = keyOf(node);
  if (!key) return false;
  for (const child of fresh.children) if (keyOf(child) === key) return true;
  return false;
}

function dropped(node) {
  const next = node.nextSibling;
  node.remove();
  return next;
}

/** Asks for the page and shows it; a call while one is under way makes it ask once more. */
export function refresh() {
  if (asking) {
    again = true;
    return asking;
  }
  asking = ask().finally(() => {
    asking = null;
    if (again) {
      again = false;
      refresh();
    }
  });
  return asking;
}

async function ask() {
  const begun = performance.now();
  let answer;
  try {
    answer = await fetch(location.href, { signal: AbortSignal.timeout(15000) });
  } catch {
    return connected(false);
  }
  if (answer.redirected && new URL(answer.url).pathname !== location.pathname) {
    location.assign(answer.url);
    return;
  }
  if (!answer.ok) return connected(false);
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const old of document.querySelectorAll("[data-live]")) {
    const now = fresh.getElementById(old.id);
    if (now) bring(old, now);
  }
  for (const name of ["me", "device"]) body.dataset[name] = fresh.body.dataset[name] || "";
  connected(true);
  pinPass();
  document.dispatchEvent(new CustomEvent("shown", { detail: { begun } }));
}

/**
 * Where fish are entered the address keeps the pass, so that another pass opened elsewhere never
 * takes over under someone's hands.
 */
function pinPass() {
  const pass = document.querySelector("#main [data-pass]")?.dataset.pass;
  if (pass && !new URLSearchParams(location.search).has("pass")) {
    history.replaceState(null, "", `?pass=${pass}`);
    refresh();
  }
}

/** Says when the page has lost its program. */
function connected(yes) {
  body.dataset.jsAlone = yes ? "no" : "yes";
}

/**
 * A browser opens few connections to one address, so that of several open pages one listens and
 * tells the others.
 */
export function watch() {
  pinPass();
  const others = new BroadcastChannel(`gravelbar/${visit}`);
  others.addEventListener("message", refresh);
  const open = () => {
    const events = new EventSource(`/v/${visit}/live`);
    events.addEventListener("changed", () => {
      others.postMessage("changed");
      refresh();
    });
    events.addEventListener("error", () => {
      connected(false);
      // The browser itself tries again unless it was turned away, as by a program that was started
      // anew: the page stays, so that taps can still be made and kept.
      if (events.readyState === EventSource.CLOSED) setTimeout(open, 5000);
    });
  };
  // Held until the page is closed.
  const listen = () => new Promise(open);
  if (navigator.locks) navigator.locks.request(`gravelbar/live/${visit}`, listen);
  else listen();
  // After a pause of the device the stream may have ended unseen.
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) refresh();
  });
  document.addEventListener("saved", refresh);
}
