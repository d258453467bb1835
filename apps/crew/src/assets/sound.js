// A few sounds that differ by rhythm as well as pitch, each with a vibration of its own.

const SOUNDS = {
  tap: { notes: [[880, 0, 0.06]], buzz: 25 },
  undo: { notes: [[660, 0, 0.07], [440, 0.09, 0.1]], buzz: [20, 40, 20] },
  pass: { notes: [[440, 0, 0.15], [660, 0.2, 0.15], [880, 0.4, 0.3]], buzz: [200, 100, 200] },
  warning: { notes: [[330, 0, 0.2], [330, 0.3, 0.2]], buzz: [120, 80, 120] },
  stop: {
    notes: [0, 0.25, 0.5, 0.75].flatMap((t) => [[988, t, 0.12], [622, t + 0.12, 0.12]]),
    buzz: [400, 100, 400, 100, 400],
  },
};

let audio = null;

/** A browser lets a page sound only once it was touched. */
function open() {
  const Context = window.AudioContext || window.webkitAudioContext;
  if (!audio && Context) audio = new Context();
  if (audio?.state === "suspended") audio.resume().catch(() => {});
}

/** Whether a sound would be heard now. */
export function canSound() {
  return audio?.state === "running";
}

export function sound(name) {
  const { notes, buzz } = SOUNDS[name];
  if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(buzz);
  if (!canSound()) return;
  for (const [pitch, from, length] of notes) {
    const tone = audio.createOscillator();
    const loudness = audio.createGain();
    const at = audio.currentTime + from;
    tone.type = name === "stop" ? "square" : "triangle";
    tone.frequency.value = pitch;
    loudness.gain.setValueAtTime(0.5, at);
    loudness.gain.exponentialRampToValueAtTime(0.01, at + length);
    tone.connect(loudness).connect(audio.destination);
    tone.start(at);
    tone.stop(at + length);
  }
}

for (const kind of ["pointerdown", "keydown"]) {
  document.addEventListener(kind, open, { capture: true, passive: true });
}
