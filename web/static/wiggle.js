// The wiggle page: renews itself from the box's stream, and gives one stroke of sound and of vibration for each loss.
import { say } from "./say.js";
import { layParts } from "./lay.js";
import { keepTouch, order } from "./touch.js";

const STROKE_S = 0.08;
const PAUSE_S = 0.05;
const BEHIND_MOST_S = 0.6; // strokes that would come later than this are left out: the hand has moved on
const VIBRATE_MS = 60;
const PITCH_HZ = 880;

const said = document.getElementById("said");
const toggle = document.getElementById("sound");
const canVibrate = typeof navigator.vibrate === "function";
let counted = null; // losses that this page has told; null until the stream has told how many there are
let sound = null;
let soundOn = false;
let nextStroke = 0;

// Only from a tap: browsers let no page sound before one.
function wake() {
  if (!window.AudioContext) return;
  sound = sound || new AudioContext();
  sound.resume();
  soundOn = true;
}

function stroke(losses) {
  const strokes = Math.min(losses, Math.ceil(BEHIND_MOST_S / (STROKE_S + PAUSE_S)));
  if (canVibrate) navigator.vibrate(Array(strokes).fill([VIBRATE_MS, 1000 * (STROKE_S + PAUSE_S) - VIBRATE_MS]).flat());
  if (!soundOn) return;
  for (let number = 0; number < strokes; number += 1) {
    const at = Math.max(sound.currentTime, nextStroke);
    if (at - sound.currentTime > BEHIND_MOST_S) return;
    nextStroke = at + STROKE_S + PAUSE_S;
    const tone = sound.createOscillator();
    const loudness = sound.createGain();
    tone.type = "square"; // heard over an engine
    tone.frequency.value = PITCH_HZ;
    loudness.gain.setValueAtTime(0.5, at);
    loudness.gain.setValueAtTime(0.5, at + STROKE_S - 0.01);
    loudness.gain.linearRampToValueAtTime(0, at + STROKE_S);
    tone.connect(loudness).connect(sound.destination);
    tone.start(at);
    tone.stop(at + STROKE_S);
  }
}

function show({ on, count, title, parts }) {
  layParts(parts);
  document.body.dataset.on = on;
  document.title = `${title} · linelamp`;
  if (on && counted !== null && count > counted) stroke(count - counted);
  counted = count;
}

function tellSound() {
  toggle.hidden = !window.AudioContext;
  toggle.setAttribute("aria-pressed", soundOn);
  toggle.textContent = soundOn ? say("Sound is on. Turn it off") : say("Sound is off. Turn it on");
}

toggle.addEventListener("click", () => {
  if (soundOn) soundOn = false;
  else wake();
  tellSound();
});

document.getElementById("order").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (event.submitter && event.submitter.value === "true") wake();
  tellSound();
  const { ok, says } = await order(event.target, event.submitter, say("The box did not answer. Look at its lamps."));
  said.textContent = ok ? "" : says;
});

// What was lost while this page had no touch gets no stroke: a stroke means now.
keepTouch("/wiggle/live", { wiggle: show }, { opened: () => { counted = null; } });
tellSound();
if (!canVibrate) said.textContent = say("This phone’s browser cannot vibrate.");
