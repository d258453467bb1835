// Keeps what was tapped until the program has answered that it is on disk.
//
// Each act lies in the browser's storage under a name of its own from the moment of the tap, so
// that a reload, a crash or a dead battery loses none, and two open pages can't overwrite each
// other's. Acts are sent in the order they were made. Sending one twice is harmless: the program
// records an act's name once.

const visit = document.body.dataset.visit;
const ACTS = `gravelbar/${visit}/act/`;
const ANSWERS = `gravelbar/${visit}/answers`;
const ANSWERS_KEPT = 400;
const RETRY_FIRST_MS = 300;
const RETRY_LAST_MS = 5000;

/** Acts that the browser refused to keep: they live as long as this page. */
const unkept = new Map();
const waiting = new Map();
let running = false;
let retryMs = RETRY_FIRST_MS;
let trouble = "";

function stored(key) {
  try {
    return JSON.parse(localStorage.getItem(key));
  } catch {
    return null;
  }
}

function keep(act) {
  try {
    localStorage.setItem(ACTS + act.tap_id, JSON.stringify(act));
    unkept.delete(act.tap_id);
  } catch {
    unkept.set(act.tap_id, act);
  }
}

function forget(act) {
  localStorage.removeItem(ACTS + act.tap_id);
  unkept.delete(act.tap_id);
}

/** All acts of this visit that aren't answered as saved, oldest first. */
export function acts() {
  const found = [...unkept.values()];
  for (let i = 0; i < localStorage.length; i += 1) {
    const key = localStorage.key(i);
    if (key.startsWith(ACTS)) {
      const act = stored(key);
      if (act && act.tap_id) found.push(act);
    }
  }
  return found.sort((a, b) => (a.tap_id < b.tap_id ? -1 : 1));
}

/** The records that a saved act became, or undefined. */
export function recordsOf(tapId) {
  return (stored(ANSWERS) || {})[tapId];
}

function remember(tapId, records) {
  const answers = Object.entries(stored(ANSWERS) || {});
  answers.push([tapId, records]);
  try {
    const newest = answers.slice(-ANSWERS_KEPT);
    localStorage.setItem(ANSWERS, JSON.stringify(Object.fromEntries(newest)));
  } catch {
    // Without room only the undo of older taps by their own name is lost; the list on the page
    // still offers it.
  }
}

/** A name that sorts by time even where the clock is set back. */
function newTapId() {
  const last = Number(localStorage.getItem("gravelbar/last")) || 0;
  const now = Math.max(Date.now(), last + 1);
  try {
    localStorage.setItem("gravelbar/last", String(now));
  } catch {
    // The random part still keeps names apart.
  }
  const random = [...crypto.getRandomValues(new Uint8Array(8))]
    .map((b) => b.toString(16).padStart(2, "0"))
    .join("");
  return `${now.toString(36).padStart(9, "0")}-${random}`;
}

/** The moment with the offset of this device's clock, as it stands. */
export function now() {
  const at = new Date();
  const off = -at.getTimezoneOffset();
  const two = (n) => String(Math.floor(Math.abs(n))).padStart(2, "0");
  const local = new Date(at.getTime() + off * 60000).toISOString().slice(0, -1);
  return `${local}${off < 0 ? "-" : "+"}${two(off / 60)}:${two(off % 60)}`;
}

function tell() {
  document.dispatchEvent(new CustomEvent("queue"));
}

/**
 * Keeps an act and sends it. `act` has facts, or undo (the name of an earlier act); label says in
 * words what was tapped; an urgent act waits for no other. Resolves once it is saved or refused;
 * never while it can still be sent.
 */
export function add(act) {
  const kept = { tap_id: newTapId(), by: document.body.dataset.me, at: now(), ...act };
  // A name has at most 60 characters; a stop must never fail for want of one.
  if (!kept.by) kept.by = `holder of ${document.body.dataset.device}`.slice(0, 60);
  keep(kept);
  tell();
  const settled = new Promise((resolve) => waiting.set(kept.tap_id, resolve));
  if (kept.urgent) hurry(kept);
  else pump();
  return { tap_id: kept.tap_id, settled };
}

/** Takes a refused act off the list: its author has read why. */
export function discard(tapId) {
  const act = acts().find((a) => a.tap_id === tapId);
  if (act && act.refused) forget(act);
  tell();
}

function settle(act, result) {
  waiting.get(act.tap_id)?.(result);
  waiting.delete(act.tap_id);
}

/** Sends JSON; says in words what came of it. */
export async function post(address, body) {
  let answer;
  try {
    answer = await fetch(address, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(15000),
    });
  } catch {
    return { again: true, words: "the program doesn't answer: it is closed or busy" };
  }
  if (answer.status === 403) {
    return { again: true, words: "open the address that the program shows when it starts" };
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.ok) return { ok: true, ...said };
  const words = said.words || `the program answered ${answer.status}`;
  return { again: said.try_again === true || answer.status >= 500, words };
}

async function send(act) {
  let facts = act.facts;
  if (act.undo) {
    const records = recordsOf(act.undo);
    // What was never recorded needs no taking back.
    if (!records) return { ok: true, records: [] };
    facts = records.map((of) => ({ undo: { of } }));
  }
  const body = { tap_id: act.tap_id, by: act.by, at: act.at, facts };
  if (act.why) body.why = act.why;
  return post(`/v/${visit}/act`, body);
}

/** Sends one act and puts away what came of it; true where it must be sent again. */
async function deliver(act) {
  const result = await send(act);
  if (result.again) {
    trouble = result.words;
    tell();
    return true;
  }
  trouble = "";
  retryMs = RETRY_FIRST_MS;
  if (result.ok) {
    remember(act.tap_id, result.records);
    forget(act);
    // A page asked for from now on holds it.
    settle(act, { ok: true, records: result.records, at: performance.now() });
    document.dispatchEvent(new CustomEvent("saved", { detail: act }));
  } else if (act.form) {
    // The form still holds what was typed: it is put right there.
    forget(act);
    settle(act, { ok: false, words: result.words });
  } else {
    keep({ ...act, refused: result.words });
    settle(act, { ok: false, words: result.words });
    document.dispatchEvent(new CustomEvent("refused", { detail: act }));
  }
  tell();
  return false;
}

/** Sends what waits, oldest first. */
async function pump() {
  if (running) return;
  running = true;
  for (;;) {
    const act = acts().find((a) => !a.refused && !a.urgent);
    if (!act) break;
    if (await deliver(act)) {
      await new Promise((resolve) => setTimeout(resolve, retryMs));
      retryMs = Math.min(retryMs * 2, RETRY_LAST_MS);
    }
  }
  running = false;
}

/** Sends a stop beside everything else, again and again, until it is on disk. */
async function hurry(act) {
  while (await deliver(act)) {
    await new Promise((resolve) => setTimeout(resolve, RETRY_FIRST_MS));
  }
}

/** Lists what isn't saved, with its state in words. */
function show() {
  const box = document.getElementById("unsent");
  const all = acts();
  const refused = all.filter((a) => a.refused);
  const sending = all.length - refused.length;
  box.hidden = refused.length === 0 && !trouble;
  box.replaceChildren();
  if (trouble && sending > 0) {
    const p = document.createElement("p");
    p.className = "alert is-severe";
    p.textContent = `✕ Not saved yet: ${sending}. They are kept on this page and sent again. ${trouble}.`;
    box.append(p);
  }
  if (unkept.size > 0) {
    const p = document.createElement("p");
    p.className = "alert is-severe";
    p.textContent = `✕ This browser keeps nothing: don't close or reload the page before these ${unkept.size} are saved.`;
    box.append(p);
  }
  for (const act of refused) {
    const p = document.createElement("p");
    p.className = "alert is-severe";
    p.textContent = `✕ Not saved: ${act.label || "entry"}. ${act.refused} `;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "I have read this";
    button.addEventListener("click", () => discard(act.tap_id));
    p.append(button);
    box.append(p);
  }
}

export function start() {
  document.addEventListener("queue", show);
  window.addEventListener("storage", tell);
  window.addEventListener("online", pump);
  // Another page of this device may have been closed with acts left.
  setInterval(pump, RETRY_LAST_MS);
  show();
  for (const act of acts()) if (act.urgent && !act.refused) hurry(act);
  pump();
}
