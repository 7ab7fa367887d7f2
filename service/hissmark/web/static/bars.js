// Small bar pictures in one ink: counts over time with their limits, shares of a whole.

import { h, s } from "./dom.js";
import { formatAs } from "./time.js";

const WIDE = 420, HIGH = 130, FOOT = 18, TOP = 8, RIGHT = 34;

/** Counts side by side, `rows`: {at, ms, count}; `limits` as lines. `label` says the same to a screen reader. */
export function bars(rows, limits, label) {
  const most = Math.max(limits.most * 1.15, ...rows.map((r) => r.count));
  const y = (count) => TOP + (HIGH - TOP - FOOT) * (1 - count / most);
  const step = (WIDE - RIGHT) / rows.length;
  const crowded = Math.abs(y(limits.most) - y(limits.acceptable)) < 11;
  const line = (value, kind, drop) => s("g", { class: `limit ${kind}` },
    s("line", { x1: 0, x2: WIDE - RIGHT, y1: y(value), y2: y(value) }), s("text", { x: WIDE - RIGHT + 4, y: y(value) + 4 + (crowded ? drop : 0) }, String(value)));
  return s("svg", { class: "bars", viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": label },
    rows.map((row, i) => row.count > 0 && s("rect", {
      class: row.count > limits.most ? "bar over" : "bar", x: i * step + step * 0.1, width: step * 0.8, y: y(row.count), height: y(0) - y(row.count),
    }, s("title", {}, `${formatAs("day", row.at)} ${formatAs("minute", row.at)}: ${row.count}`))),
    s("line", { class: "ground", x1: 0, x2: WIDE - RIGHT, y1: y(0), y2: y(0) }),
    line(limits.acceptable, "acceptable", 4), line(limits.most, "most", -3),
    s("text", { class: "foot", x: 0, y: HIGH - 4 }, when(rows[0])),
    s("text", { class: "foot", x: WIDE - RIGHT, y: HIGH - 4, "text-anchor": "end" }, when(rows.at(-1))));
}

const when = (row) => (row.ms < 86400e3 ? `${formatAs("day", row.at)} ${formatAs("minute", row.at)}` : formatAs("day", row.at));

/** Shares of a whole, one line each: {label, share, text, aim?}. Text says what the bar shows. */
export function shares(rows) {
  const widest = Math.max(0.01, ...rows.map((r) => Math.max(r.share, r.aim ?? 0)));
  const part = (share) => (share / widest) * 100;
  return h("ul", { class: "shares" }, rows.map((row) => h("li", {},
    h("span", { class: "share-name" }, row.label),
    s("svg", { viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" },
      s("rect", { class: "bar", x: 0, y: 1.5, width: part(row.share), height: 7 }),
      row.aim !== undefined && s("line", { class: "aim", x1: part(row.aim), x2: part(row.aim), y1: 0, y2: 10 })),
    h("span", { class: "share-text" }, row.text))));
}
