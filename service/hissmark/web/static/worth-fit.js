// The regression as a picture: rate over leak-only level, its 90 % band, the measured leaks, and the level of now.

import { h, s } from "./dom.js";
import { figure } from "./worth-words.js";

const WIDE = 520, HIGH = 300, LEFT = 54, FOOT = 38, TOP = 12, RIGHT = 10;

export function picture(worth) {
  const { line, points } = worth;
  const x = across(line.level_db[0], line.level_db.at(-1));
  const rates = [...line.low, ...line.high, ...points.filter((p) => p.valve === worth.valve).map((p) => p.rate_kg_h)];
  const y = up(Math.min(...rates), Math.max(...rates));
  const path = (values, start) => values.map((v, i) => `${i || !start ? "L" : "M"}${x(line.level_db[i])} ${y(v)}`).join("");
  const band = `${path(line.high, true)}${[...line.low].reverse().map((v, i) => `L${x(line.level_db.at(-1 - i))} ${y(v)}`).join("")}Z`;
  const inside = points.map((p) => ({ ...p, cx: x(p.shown_level_db), cy: y(p.rate_kg_h) })).filter((p) => p.cx >= LEFT && p.cx <= WIDE - RIGHT && p.cy >= TOP && p.cy <= HIGH - FOOT);
  return h("figure", { class: "fit" },
    s("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": said(worth) },
      decades(Math.min(...rates), Math.max(...rates)).map((v) => [s("line", { class: "grid", x1: LEFT, x2: WIDE - RIGHT, y1: y(v), y2: y(v) }),
        s("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, figure(v))]),
      marks(line.level_db[0], line.level_db.at(-1)).map((v) => s("text", { x: x(v), y: HIGH - FOOT + 16, "text-anchor": "middle" }, String(v))),
      s("path", { class: "band", d: band }),
      s("path", { class: "middle", d: path(line.middle, true) }),
      worth.leak_db !== null && now(worth, x, y),
      inside.map((p) => s("g", { class: p.valve === worth.valve ? "point" : "point other" },
        s("line", { x1: p.cx, x2: p.cx, y1: Math.max(TOP, y(p.rate_kg_h * (1 + p.uncertainty))), y2: Math.min(HIGH - FOOT, y(p.rate_kg_h / (1 + p.uncertainty))) }),
        s("circle", { cx: p.cx, cy: p.cy, r: 5 }, s("title", {}, `${p.valve}, no. ${p.id}: ${figure(p.rate_kg_h)} kg/h`)))),
      s("text", { class: "axis", x: (LEFT + WIDE - RIGHT) / 2, y: HIGH - 4, "text-anchor": "middle" }, "leak-only level, dB"),
      s("text", { class: "axis", x: 4, y: 10 }, "kg/h")),
    h("figcaption", {}, "Line: the rate expected at the pressures of now; shade: 90 %. ● measured here, ○ at similar valves. Upright: the level of now."));
}

function now(worth, x, y) {
  const at = x(worth.leak_db);
  const rate = worth.rate_kg_h;
  return s("g", { class: "level-now" }, s("line", { class: "upright", x1: at, x2: at, y1: TOP, y2: HIGH - FOOT }),
    rate && rate.low > 0 && s("line", { class: "span", x1: at, x2: at, y1: y(rate.high), y2: y(rate.low) }));
}

const said = (worth) => `Rate over level for ${worth.valve}, from ${worth.points.length} measured leaks. ${worth.sentence}`;
const across = (low, high) => (v) => LEFT + ((v - low) / (high - low)) * (WIDE - LEFT - RIGHT);

function up(low, high) {
  const [a, b] = [Math.log10(low) - 0.1, Math.log10(high) + 0.1];
  return (v) => TOP + (1 - (Math.log10(v) - a) / (b - a)) * (HIGH - TOP - FOOT);
}

function decades(low, high) {
  const found = [];
  for (let e = Math.ceil(Math.log10(low) - 0.1); e <= Math.log10(high) + 0.1; e++) found.push(10 ** e);
  return found;
}

function marks(low, high) {
  const step = high - low > 30 ? 10 : 5;
  const found = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) found.push(v);
  return found;
}
