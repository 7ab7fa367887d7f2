// Looking back: any page at a past moment, and along it. What is live goes on beside it: alarms still call.

import { ask, h } from "./dom.js";
import { isPast, live, lookAt, sortedAlarms } from "./live.js";
import { ageText, exact, formatAs, inUtc, serviceNow, setMoment } from "./time.js";

const HOUR_MS = 3600e3;
const STEPS = { ",": -1, ".": 1, "<": -HOUR_MS, ";": -HOUR_MS, ">": HOUR_MS, ":": HOUR_MS };

/** Pages that can be put at a past moment. */
export const TRAVELS = new Set(["", "group", "valve", "journal", "figures", "handover", "sensors"]);
export const iso = (ms) => new Date(Math.round(ms / 1000) * 1000).toISOString().replace(".000", "");

let at = null; // ms since 1970, null while the page is live
let turn = 0;
let move = () => {};
const bar = h("section", { id: "past", "aria-label": "Looking back", hidden: true });
const when = h("strong", { class: "when", "aria-live": "polite" });
const ago = h("span", { class: "ago" });
const calling = h("span", { class: "calling", role: "status" });
const wanted = h("input", { type: "datetime-local", step: 60, "aria-label": "Moment to look at" });

export const pastMoment = () => at;

/** `go(at)` moves the page: to a moment in ms, or to now (null). */
export function installPast(go) {
  move = go;
  const button = (text, title, key, does) => h("button", { type: "button", title, "aria-keyshortcuts": key, onclick: does }, text);
  bar.append(
    h("span", { class: "word" }, "Past"), when, ago, calling,
    h("span", { class: "row" },
      button("‹ hour", "An hour earlier (<)", "<", () => step(-HOUR_MS)), button("‹ tick", "A tick earlier (,)", ",", () => step(-1)),
      button("tick ›", "A tick later (.)", ".", () => step(1)), button("hour ›", "An hour later (>)", ">", () => step(HOUR_MS)), wanted),
    button(["Back to now ", h("kbd", {}, "Esc")], "Leave the past", "Escape", () => move(null)));
  document.getElementById("page").before(bar);
  wanted.addEventListener("change", () => {
    const ms = Date.parse(inUtc() ? `${wanted.value}Z` : wanted.value);
    if (ms) move(within(ms));
  });
  document.getElementById("look-back").addEventListener("click", () => step(-1));
  setInterval(tell, 1000);
}

/** To a moment in ms; to now, where that is reached. */
export const moveTo = (ms) => move(within(ms));

/** A key that moves along time, or leaves the past. */
export function pastKey(key) {
  if (key === "Escape" && isPast()) return move(null), true;
  return key in STEPS && (step(STEPS[key]), true);
}

/** One tick (±1) or `by` ms from where the page is. */
function step(by) {
  const tick = live.tickS * 1000;
  const from = at ?? Math.floor(serviceNow() / tick) * tick;
  move(within(from + (Math.abs(by) === 1 ? by * tick : by)));
}

/** A moment of the past; null where now is reached. */
const within = (ms) => (ms > serviceNow() - 1000 ? null : ms);

/** Put what is shown at a moment (null: now). False if a later move has overtaken it. Throws what went wrong. */
export async function travel(ms, group) {
  const mine = ++turn;
  at = ms;
  setMoment(at);
  draw();
  if (ms === null) return lookAt(null), true;
  const of = group ? `&group=${encodeURIComponent(group)}` : "";
  let snapshot;
  try {
    snapshot = await ask(`/api/v1/now?at=${iso(ms)}${of}`);
  } catch (error) {
    if (mine !== turn) return false;
    lookAt({ groups: [], alarms: [], journal: [] });
    throw error;
  }
  if (mine !== turn) return false;
  lookAt(snapshot);
  return true;
}

function draw() {
  document.documentElement.classList.toggle("past", at !== null);
  bar.hidden = at === null;
  if (at === null) return;
  when.textContent = formatAs("full", at);
  when.title = exact(at);
  wanted.value = inUtc() ? iso(at).slice(0, 16) : iso(at - new Date(at).getTimezoneOffset() * 60e3).slice(0, 16);
  tell();
}

/** How long ago it is, and what calls now. */
export function tell() {
  if (at === null) return;
  ago.textContent = `${ageText((serviceNow() - at) / 1000)} before now`;
  const open = sortedAlarms((a) => a.state === "unacknowledged", live).length;
  calling.textContent = open ? `▲ Now: ${open} ${open === 1 ? "alarm" : "alarms"} to acknowledge` : "";
}

/** After the zone has changed. */
export const redrawPast = draw;
