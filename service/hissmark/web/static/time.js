// Times: the service's clock, ages that run, the viewer's zone with UTC at hand.

import { h } from "./dom.js";

let heard = null; // {service: ms, local: ms of performance.now()}
let rate = 1; // service seconds per second: other than 1 in the demo
let moment_ms = null; // what ages count from while the page looks back
let utc = localStorage.getItem("hissmark.utc") === "1";

/** Take the service's clock from a heartbeat. */
export function setServiceTime(text) {
  const next = { service: Date.parse(text), local: performance.now() };
  const passed = heard ? next.local - heard.local : 0;
  if (passed > 500) rate = Math.max(0, (next.service - heard.service) / passed);
  heard = next;
}

/** The service's time in ms since 1970; between heartbeats it runs on. */
export function serviceNow() {
  if (!heard) return Date.now();
  return heard.service + (performance.now() - heard.local) * rate;
}

/** From now on ages count from this moment (null: from the service's clock). */
export function setMoment(ms) {
  moment_ms = ms;
  refresh();
}

/** The moment that is looked at: a past one, or now. */
export const seenFrom = () => moment_ms ?? serviceNow();

export const inUtc = () => utc;

export function toggleZone() {
  utc = !utc;
  localStorage.setItem("hissmark.utc", utc ? "1" : "0");
  refresh();
}

export const zoneName = () => (utc ? "UTC" : Intl.DateTimeFormat().resolvedOptions().timeZone);

const zoned = (options, asUtc) =>
  new Intl.DateTimeFormat("en-GB", { ...options, hourCycle: "h23", timeZone: asUtc ? "UTC" : undefined });

const FORMATS = {};
function format(kind, ms, asUtc = utc) {
  const options = {
    minute: { hour: "2-digit", minute: "2-digit" },
    second: { hour: "2-digit", minute: "2-digit", second: "2-digit" },
    day: { day: "numeric", month: "short" },
    year: { day: "numeric", month: "short", year: "numeric" },
    month: { month: "short", year: "numeric" },
    full: { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" },
  }[kind];
  FORMATS[`${kind}${asUtc}`] ??= zoned(options, asUtc);
  return FORMATS[`${kind}${asUtc}`].format(ms);
}

export const clock = (ms) => format("minute", ms);
export const clockSeconds = (ms) => format("second", ms);
export const formatAs = format;

/** "12 Mar 02:14" if it was not today, else "02:14". */
export function moment(ms) {
  const today = format("year", seenFrom()) === format("year", ms);
  return today ? clock(ms) : `${format("day", ms)} ${clock(ms)}`;
}

/** Exact, in both zones: for hover, focus and screen readers. */
export const exact = (ms) => `${format("full", ms, false)} (${format("full", ms, true)} UTC)`;

export function ageText(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  if (whole < 60) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 24) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  const days = Math.floor(hours / 24);
  return hours % 24 ? `${days} d ${hours % 24} h` : `${days} d`;
}

function textOf(node) {
  const ms = Date.parse(node.dateTime);
  const age = ageText((seenFrom() - ms) / 1000);
  return { age, ago: `${age} ${moment_ms === null ? "ago" : "before"}`, at: moment(ms) }[node.dataset.show];
}

/** A <time> that keeps itself right. `show`: age ("12 min"), ago ("12 min ago"), at ("02:14"). */
export function timeElement(text, show) {
  if (!text) return h("span", {}, "never");
  const node = h("time", { datetime: text, "data-show": show, title: exact(Date.parse(text)) });
  node.textContent = textOf(node);
  return node;
}

export function refresh() {
  for (const node of document.querySelectorAll("time[data-show]")) {
    const text = textOf(node);
    if (node.textContent !== text) node.textContent = text;
  }
}

setInterval(refresh, 1000);
