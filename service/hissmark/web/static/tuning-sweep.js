// A sweep's result: for one setting the trade-off as a curve, for two a table shaded by number. Each point says itself in words.

import { h, s } from "./dom.js";
import { table } from "./table.js";
import { share } from "./tuning-compare.js";

const plain = (value) => (value === 0 ? "0" : value >= 100 ? value.toFixed(0) : String(Number(value.toPrecision(2))));
const rate = (p) => p.unproven_a_year ?? { value: 0, low: 0, high: 0 };
const named = (values) => Object.entries(values).map(([name, value]) => `${name} ${value}`).join(", ");
const same = (a, b) => Object.keys(a).every((name) => a[name] === b[name]);

/** `further(values)` takes the values of a point into a trial. */
export function swept(result, further) {
  const chosen = h("div", { class: "tuning-chosen", role: "status" });
  const choose = (point) => chosen.replaceChildren(h("p", {}, sentence(point, result)), h("button", { type: "button", onclick: () => further(point.values) }, "Take these values into a trial"));
  if (result.suggestion) choose(result.points.find((p) => same(p.values, result.suggestion.values)) ?? result.suggestion);
  const known = result.here.score.recall.cases > 0;
  return h("div", {},
    result.says && h("section", { class: "panel tuning-says", "aria-label": "Suggestion" }, h("h2", {}, "Suggestion"), result.says.map((text) => h("p", {}, text))),
    h("section", { class: "panel", "aria-label": "Trade-off" }, h("h2", {}, "What depends on it"),
      h("p", {}, "Now: ", sentence(result.here, result)),
      !known && h("p", { class: "hint" }, "No leak is known of in this period, so nothing tells what is missed. Findings and repairs on record make it known."),
      result.axes.length === 1 ? curves(result, known, choose) : heat(result, known, choose),
      chosen, numbers(result, further)));
}

function sentence(p, result) {
  const r = rate(p), n = p.alarms.passing;
  const found = p.score.recall.cases ? `; known leaks found: ${share(p.score.recall)}` : "";
  const mark = result.suggestion && same(p.values, result.suggestion.values) ? " (suggested)" : "";
  return `${named(p.values)}${mark}: ${n} passing ${n === 1 ? "alarm" : "alarms"}, ${p.score.false + p.score.unknown} not known to be right: ${plain(r.value)} in a valve and year (${plain(r.low)} to ${plain(r.high)})${found}.`;
}

// One setting: false alarms against leaks found, and alarms by the setting.

const W = 620, H = 300, LEFT = 64, RIGHT = 20, TOP = 26, FOOT = 52;
const INSET = 14; // so that no dot or interval lies upon an axis

function curves(result, known, choose) {
  const [axis] = result.axes, name = axis.setting;
  const points = [...result.points].sort((a, b) => a.values[name] - b.values[name]);
  const byValue = { x: (p) => p.values[name], y: (p) => rate(p), across: name, up: "Not known to be right, in a valve and year", label: (p) => "" };
  const against = { x: (p) => rate(p).value, xs: (p) => rate(p), y: (p) => p.score.recall, across: "Not known to be right, in a valve and year", up: "Share of known leaks found", percent: true, label: (p) => plain(p.values[name]) };
  return h("div", { class: "tuning-curves" }, known && curve(points, result, against, choose), curve(points, result, byValue, choose),
    h("p", { class: "hint" }, "Each dot is a value that was tried, the ring is where the site is now. Thin lines: what fits the counts as well (95 %). Click a dot for its numbers."));
}

function curve(points, result, by, choose) {
  const all = [...points, result.here];
  const xs = all.flatMap((p) => (by.xs ? [by.xs(p).high] : [by.x(p)])), low = by.xs ? 0 : Math.min(...xs);
  const widest = clipped(all.map((p) => by.x(p)), xs, by.xs);
  const top = by.percent ? 1 : clipped(all.map((p) => by.y(p).value), all.map((p) => by.y(p).high), true);
  const x = (v) => LEFT + INSET + (W - LEFT - RIGHT - 2 * INSET) * Math.min(1, (v - low) / (widest - low || 1));
  const y = (v) => H - FOOT - (H - FOOT - TOP) * Math.min(1, v / (top || 1));
  const at = (p) => [x(by.x(p)), y(by.y(p).value ?? 0)];
  const line = points.map((p, i) => `${i ? "L" : "M"}${at(p).join(" ")}`).join("");
  return s("svg", { viewBox: `0 0 ${W} ${H}`, class: "tuning-curve", role: "img", "aria-label": `${by.up} by ${by.across.toLowerCase()}; the table below has the numbers` },
    axes(by, { low, widest, top, x, y }), s("path", { d: line, class: "curve" }), all.map((p) => whiskers(p, by, x, y, p === result.here)),
    points.map((p) => dot(p, at(p), result, choose)), labels(points, by, at), here(at(result.here)));
}

/** An axis as long as the values ask for; intervals that reach much further are cut off at its end. */
const clipped = (values, highs, hasIntervals) => {
  const most = Math.max(...values);
  return hasIntervals ? Math.min(Math.max(...highs), most ? most * 2 : Math.max(...highs)) : most;
};

function axes(by, { low, widest, top, x, y }) {
  const text = (at, up, words, anchor = "middle") => s("text", { x: at, y: up, "text-anchor": anchor }, words);
  const shown = (v) => (by.percent ? `${Math.round(100 * v)} %` : plain(v));
  return [
    s("path", { class: "axis", d: `M${LEFT} ${TOP}V${H - FOOT}H${W - RIGHT}` }),
    [0, top / 2, top].map((v) => [s("path", { class: "grid", d: `M${LEFT} ${y(v)}H${W - RIGHT}` }), text(LEFT - 8, y(v) + 5, shown(v), "end")]),
    [low, (low + widest) / 2, widest].map((v) => text(x(v), H - FOOT + 20, plain(v))),
    text(LEFT, 14, by.up, "start"), text(W - RIGHT, H - 8, by.across, "end"),
  ];
}

function whiskers(p, by, x, y, strong) {
  const [px, up] = [x(by.x(p)), by.y(p)];
  const lines = up.low === null || up.low === undefined ? "" : `M${px} ${y(up.low)}V${y(up.high)}`;
  const across = by.xs ? `M${x(by.xs(p).low)} ${y(up.value ?? 0)}H${x(by.xs(p).high)}` : "";
  return s("path", { class: strong ? "whisker strong" : "whisker", d: lines + across || "M0 0" });
}

function dot(p, [cx, cy], result, choose) {
  const suggested = result.suggestion && same(p.values, result.suggestion.values);
  return s("g", { class: "tried", onclick: () => choose(p) }, s("title", {}, sentence(p, result)), s("circle", { cx, cy, r: 11, class: "reach" }),
    suggested ? s("path", { class: "dot", d: `M${cx - 7} ${cy}L${cx} ${cy - 7}L${cx + 7} ${cy}L${cx} ${cy + 7}Z` }) : s("circle", { cx, cy, r: 4.5, class: "dot" }));
}

/** Values beside their dots, where there is room. */
function labels(points, by, at) {
  const taken = [];
  return points.map((p) => {
    const [cx, cy] = at(p), text = by.label(p);
    if (!text || taken.some(([ox, oy]) => Math.abs(ox - cx) < 30 && Math.abs(oy - cy) < 16)) return "";
    taken.push([cx, cy]);
    return s("text", { x: cx + 9, y: cy + 17 }, text);
  });
}

const here = ([cx, cy]) => [s("circle", { cx, cy, r: 9, class: "here" }), s("text", { class: "here-text", x: Math.min(cx + 14, W - RIGHT - 90), y: Math.max(cy - 12, TOP + 4) }, "you are here")];

// Two settings: a table of numbers on a ground the stronger the more.

const MEASURES = [
  ["unproven", "Not known to be right, in a valve and year", (p) => rate(p).value, plain],
  ["found", "Known leaks found", (p) => p.score.found, String],
  ["all", "Passing alarms", (p) => p.alarms.passing, String],
  ["lost", "Alarms lost against now", (p) => p.against_now.lost, String],
];

function heat(result, known, choose) {
  const place = h("div", { class: "table-wrap" });
  const measure = h("select", { "aria-label": "What the table shows", onchange: () => draw() },
    MEASURES.filter(([name]) => known || name !== "found").map(([name, text]) => h("option", { value: name }, text)));
  const draw = () => place.replaceChildren(grid(result, MEASURES.find(([name]) => name === measure.value), choose));
  draw();
  return h("div", {}, h("p", { class: "row" }, measure, h("span", { class: "hint" }, "The stronger the grey, the more. Arrow keys go from cell to cell. ◎ is where the site is now",
    result.suggestion ? ", ◆ what is suggested." : ".")), place);
}

function grid(result, [, title, value, text], choose) {
  const [down, across] = result.axes, most = Math.max(...result.points.map(value), 1e-9);
  const find = (a, b) => result.points.find((p) => p.values[down.setting] === a && p.values[across.setting] === b);
  const cell = (a, b) => {
    const p = find(a, b);
    if (!p) return h("td", {});
    const mark = `${same(p.values, result.here.values) ? " ◎" : ""}${result.suggestion && same(p.values, result.suggestion.values) ? " ◆" : ""}`;
    const made = h("td", {}, h("button", { type: "button", tabindex: -1, class: "cell", "aria-label": sentence(p, result), onclick: () => choose(p) }, `${text(value(p))}${mark}`));
    made.style.setProperty("--share", `${Math.round((75 * value(p)) / most)}%`);
    return made;
  };
  const rows = [...down.values].sort((a, b) => a - b), columns = [...across.values].sort((a, b) => a - b);
  const made = h("table", { class: "heat", onkeydown: walk }, h("caption", {}, `${title}; down: ${down.setting}, across: ${across.setting}`),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, `${down.setting} ↓  ${across.setting} →`), columns.map((b) => h("th", { scope: "col", class: "figure" }, String(b))))),
    h("tbody", {}, rows.map((a) => h("tr", {}, h("th", { scope: "row", class: "figure" }, String(a)), columns.map((b) => cell(a, b))))));
  made.querySelector(".cell")?.setAttribute("tabindex", 0);
  return made;
}

/** Arrow keys from cell to cell; one cell at a time is in the tab order. */
function walk(event) {
  const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key] ?? [0, 0];
  const from = event.target.closest("td");
  if (!from || (!dx && !dy)) return;
  event.preventDefault();
  event.stopPropagation();
  const row = dy < 0 ? from.parentElement.previousElementSibling : dy > 0 ? from.parentElement.nextElementSibling : from.parentElement;
  const next = row?.cells[from.cellIndex + dx]?.querySelector(".cell");
  if (!next) return;
  from.querySelector(".cell").tabIndex = -1;
  next.tabIndex = 0;
  next.focus();
}

/** Everything as numbers, to sort and to take along. */
function numbers(result, further) {
  const bound = (p, end) => (p.score.recall.cases ? 100 * p.score.recall[end] : null);
  const columns = [
    ...result.axes.map(({ setting }) => ({ name: setting, value: (p) => p.values[setting] })),
    { name: "Alarms", value: (p) => p.alarms.passing, digits: 0 },
    { name: "Not known to be right, a year", value: (p) => rate(p).value, digits: 2 }, { name: "from", value: (p) => rate(p).low, digits: 2 }, { name: "to", value: (p) => rate(p).high, digits: 2 },
    { name: "Leaks found", value: (p) => p.score.found, digits: 0 }, { name: "Missed", value: (p) => p.score.missed, digits: 0 },
    { name: "Found from, %", value: (p) => bound(p, "low"), digits: 0 }, { name: "to, %", value: (p) => bound(p, "high"), digits: 0 },
    { name: "False", value: (p) => p.score.false, digits: 0 }, { name: "Nobody looked", value: (p) => p.score.unknown, digits: 0 },
    { name: "Trial", value: () => "", cell: (p) => h("button", { type: "button", class: "quiet", "aria-label": `Try ${named(p.values)}`, onclick: () => further(p.values) }, "Try") },
  ];
  return h("details", { open: result.axes.length === 1 }, h("summary", {}, "The same as numbers"),
    h("div", { class: "table-wrap" }, table(columns, result.points, { name: "sweep", caption: "Every value that was tried; intervals of 95 %" })));
}
