// A sound for a new alarm that nobody has acknowledged: off until somebody wants it, and silenced with one key.

import { h } from "./dom.js";
import { alarmKey, live } from "./live.js";

const EVERY_MS = 8000; // it comes back until the alarm is acknowledged, gone, or the sound silenced
const REMEMBERED = "hissmark.sound";
const TONES_HZ = { high: [660, 880, 660], medium: [660, 550], low: [550] };
const RANK = { high: 0, medium: 1, low: 2 };

let wanted = localStorage.getItem(REMEMBERED) === "1";
let known = null; // alarms that had been there: only what comes after the page was opened sounds
let calling = new Map(); // key -> priority: alarms that sound now
let audio = null;
let timer = 0;

const button = h("button", { type: "button", id: "sound", class: "quiet", onclick: toggle });
const hush = h("button", { type: "button", id: "hush", "aria-keyshortcuts": "Q", hidden: true, onclick: silence }, "Silence ", h("kbd", {}, "Q"));

/** Put the two buttons into the header and follow the alarms. */
export function installSound() {
  document.getElementById("theme").before(hush, button);
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wake);
  draw();
}

/** After every change of the alarms. */
export function hearAlarms() {
  const open = new Map([...live.alarms.values()].filter((a) => a.state === "unacknowledged")
    .map((a) => [`${alarmKey(a)}|${a.raised_at}`, a.priority]));
  const fresh = [...open].filter(([key]) => known && !known.has(key));
  known = new Set(open.keys());
  calling = new Map([...calling].filter(([key]) => open.has(key)));
  for (const [key, priority] of fresh) calling.set(key, priority);
  if (fresh.length) ring();
  draw();
}

/** Quiet until the next new alarm. False if nothing sounded. */
export function silence() {
  if (!calling.size || !wanted) return false;
  calling.clear();
  draw();
  return true;
}

function toggle() {
  wanted = !wanted;
  localStorage.setItem(REMEMBERED, wanted ? "1" : "0");
  calling.clear();
  if (wanted) play("low"); // so that one hears that it works
  draw();
}

function ring() {
  clearTimeout(timer);
  if (!wanted || !calling.size) return;
  play([...calling.values()].sort((a, b) => RANK[a] - RANK[b])[0]);
  timer = setTimeout(ring, EVERY_MS);
}

/** Browsers keep a page mute until somebody has touched it; the button says so until then. */
function wake() {
  if (!wanted) return;
  audio ??= new AudioContext();
  if (audio.state === "suspended") audio.resume().then(draw);
}

function play(priority) {
  audio ??= new AudioContext();
  if (audio.state === "suspended") audio.resume().then(draw);
  TONES_HZ[priority].forEach((pitch, i) => tone(pitch, audio.currentTime + 0.02 + i * 0.28));
}

/** One soft tone of a quarter of a second. */
function tone(pitch_hz, at_s) {
  const source = new OscillatorNode(audio, { type: "sine", frequency: pitch_hz });
  const loudness = new GainNode(audio, { gain: 0 });
  loudness.gain.setValueAtTime(0, at_s);
  loudness.gain.linearRampToValueAtTime(0.25, at_s + 0.03);
  loudness.gain.setTargetAtTime(0, at_s + 0.16, 0.04);
  source.connect(loudness).connect(audio.destination);
  source.start(at_s);
  source.stop(at_s + 0.4);
}

function draw() {
  const mute = wanted && (!audio || audio.state !== "running");
  button.textContent = !wanted ? "Sound off" : mute ? "Sound waits for a click" : "Sound on";
  button.setAttribute("aria-pressed", wanted ? "true" : "false");
  button.title = "A sound for every new alarm until it is acknowledged or silenced (this browser only)";
  hush.hidden = !(wanted && calling.size);
}
