// The skyline: a group drawn along its pipe. Across: channels in pipe order; up: decibels.

import { decibels, h, pathOf, s } from "./dom.js";
import { isAlarmed } from "./live.js";

/** What a channel looks like: one shape for each kind of thing to be told. */
export function lookOf(channel) {
  if (channel.level_db === null || channel.health === "silent" || channel.health === "loose") return "hole";
  if (channel.kind === "reference") return "reference";
  if (channel.open) return "open";
  return {
    passing: "source", contested: "contested", spill: "spill", "outside noise": "outside",
    unsettled: "unsettled", "not testable": "untestable", quiet: "still",
  }[channel.verdict];
}

export const subjectOf = (channel) => channel.valve ?? channel.channel;

/** What stands under a channel: its verdict, and the reason where it cannot be judged. */
export function wordsOf(channel) {
  if (channel.kind === "reference") {
    return channel.level_db === null ? ["reference", channel.reason] : ["reference", decibels(channel.rise_db, true)];
  }
  if (channel.verdict === "not testable") {
    const fault = channel.reason === "sensor fault" && channel.health !== "well";
    return ["not testable", fault ? `sensor ${channel.health}` : channel.reason];
  }
  return [channel.verdict, decibels(channel.rise_db, true)];
}

/** The sentence a screen reader gets for one channel. */
export function sentenceOf(channel) {
  const rise = channel.rise_db === null ? "" : ` Rise ${decibels(channel.rise_db)}.`;
  const name = channel.kind === "reference" ? `Reference point ${channel.channel}` : channel.valve;
  return `${name}: ${channel.verdict}. ${channel.reason_sentence}${rise}`;
}

/** x of each channel: distances to scale where all are known, never closer than `least` px. */
export function positions(channels, left, right, least) {
  const n = channels.length;
  if (n === 1) return [(left + right) / 2];
  const known = channels.every((c) => c.distance_m !== null);
  const steps = channels.slice(1).map((c, i) => (known ? Math.max(0, c.distance_m - channels[i].distance_m) : 1));
  const total = steps.reduce((a, b) => a + b, 0) || 1;
  const room = right - left - least * (n - 1);
  const x = [left];
  steps.forEach((step, i) => x.push(x[i] + least + (Math.max(0, room) * step) / total));
  return x;
}

function ticksOf(low, high) {
  const step = high - low > 60 ? 20 : 10;
  const ticks = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) ticks.push(v);
  return ticks;
}

function rangeOf(channels) {
  const values = channels.flatMap((c) => [
    c.level_db, c.l10_db, c.expected_db, c.baseline_db === null ? null : c.baseline_db - 2 * (c.scale_db ?? 0),
  ]).filter((v) => v !== null);
  if (!values.length) return [0, 40];
  const low = Math.floor((Math.min(...values) - 4) / 10) * 10;
  const high = Math.max(Math.ceil((Math.max(...values) + 3) / 5) * 5, low + 35);
  return [low, high];
}

/** The full skyline, `width` px wide. */
export function skyline(reading, width, height) {
  const channels = reading.channels;
  const least = 84;
  const box = { left: 62, right: Math.max(width, 120 + channels.length * least) - 26, top: 58, bottom: height - 118 };
  const x = positions(channels, box.left + 46, box.right - 46, Math.min(least, (box.right - box.left - 92) / Math.max(1, channels.length - 1)));
  const [low, high] = reading.range ?? rangeOf(channels);
  const y = (db) => box.bottom - ((db - low) / (high - low)) * (box.bottom - box.top);
  const total = box.right + 26;
  const view = { reading, channels, x, y, low, box, height };
  const svg = s(
    "svg",
    { class: "skyline", viewBox: `0 0 ${total} ${height}`, width: total, height, role: "group", "aria-label": reading.explanation.sentence },
    grid(view, ticksOf(low, high)),
    channels.map((c, i) => column(c, x[i], view)),
    expectedLine(view),
    pipe(view),
    channels.map((c, i) => caption(c, x[i], view)),
    sourceLabels(view),
    channels.map((c, i) => door(c, x[i], view)),
  );
  return svg;
}

function grid({ box, y, low }, ticks) {
  return s("g", { class: "grid" },
    ticks.map((v) => [
      s("line", { x1: box.left, x2: box.right, y1: y(v), y2: y(v), class: v === low ? "floor" : "" }),
      s("text", { x: box.left - 10, y: y(v) + 4, "text-anchor": "end" }, v),
    ]),
    s("text", { x: box.left - 10, y: box.top - 22, "text-anchor": "end", class: "unit" }, "dB"));
}

function column(channel, x, { y, low }) {
  const look = lookOf(channel);
  const half = channel.kind === "reference" ? 8 : 18;
  const parts = [];
  if (channel.baseline_db !== null) parts.push(band(channel, x, half, y));
  if (look === "hole") parts.push(hole(channel, x, half, y, low));
  else parts.push(...body(channel, x, half, y, low));
  const alarmed = look === "source" && isAlarmed(channel.valve);
  return s("g", { class: `channel ${look}${alarmed ? " alarmed" : ""}`, "data-channel": channel.channel }, parts);
}

function band(channel, x, half, y) {
  const spread = Math.max(2 * (channel.scale_db ?? 0), 0.6);
  const top = y(channel.baseline_db + spread);
  const wide = half + 12;
  return s("rect", { class: "band", x: x - wide, width: 2 * wide, y: top, height: y(channel.baseline_db - spread) - top });
}

function body(channel, x, half, y, low) {
  const from = y(channel.baseline_db ?? low);
  const to = y(channel.level_db);
  const top = Math.min(from, to);
  const parts = [s("rect", { class: "rise", x: x - half, width: 2 * half, y: top, height: Math.abs(from - to) })];
  if (channel.l10_db !== null) {
    const end = y(channel.l10_db);
    parts.push(s("path", { class: "whisker", d: `M${x} ${to}V${end}M${x - 5} ${end}h10` }));
    if (channel.l50_db !== null) parts.push(s("path", { class: "whisker", d: `M${x - 5} ${y(channel.l50_db)}h10` }));
  }
  parts.push(s("line", { class: "mark", x1: x - half - 4, x2: x + half + 4, y1: to, y2: to }));
  return parts;
}

function hole(channel, x, half, y, low) {
  const top = channel.baseline_db === null ? y(low) - 70 : y(channel.baseline_db) - 14;
  const bottom = y(low) - 2;
  return [
    s("rect", { class: "pit", x: x - half, width: 2 * half, y: top, height: Math.max(20, bottom - top) }),
    s("text", { class: "pit-word", x, y: (top + bottom) / 2 + 6, "text-anchor": "middle" }, "?"),
  ];
}

function expectedLine({ reading, channels, x, y }) {
  const points = channels.map((c, i) => [x[i], c.expected_db]).filter(([, v]) => v !== null);
  if (points.length < 2 || reading.explanation.kind === "nothing") return null;
  const line = points.map(([px, v]) => `${px},${y(v)}`).join(" ");
  const gaps = points.slice(1).map(([px], i) => px - points[i][0]);
  const widest = gaps.indexOf(Math.max(...gaps));
  const [from, to] = [points[widest], points[widest + 1]];
  const rising = to[1] > from[1];
  return s("g", { class: "expected" },
    s("polyline", { points: line }),
    points.map(([px, v]) => s("path", { d: `M${px} ${y(v) - 5}l5 5l-5 5l-5 -5z` })),
    s("text", { x: (from[0] + to[0]) / 2 + (rising ? -8 : 8), y: y((from[1] + to[1]) / 2) - 6, "text-anchor": rising ? "end" : "start" }, "expected"));
}

function pipe({ channels, x, box }) {
  const at = box.bottom + 26;
  return s("g", { class: "pipe" },
    s("path", { d: `M${box.left - 8} ${at - 4}H${box.right + 8}M${box.left - 8} ${at + 4}H${box.right + 8}` }),
    channels.map((c, i) => s("line", { class: "drop", x1: x[i], x2: x[i], y1: box.bottom, y2: at - 4 })),
    channels.map((c, i) =>
      c.kind === "reference"
        ? s("circle", { class: "point", cx: x[i], cy: at, r: 6 })
        : s("path", { class: c.open ? "valve open" : "valve", d: `M${x[i] - 12} ${at - 9}V${at + 9}L${x[i] + 12} ${at - 9}V${at + 9}z` })));
}

function caption(channel, x, { box, channels }) {
  const base = box.bottom + 54;
  const [verdict, detail] = wordsOf(channel);
  const far = channel.distance_m !== null && channels.some((c) => c.distance_m) ? `${channel.distance_m} m` : "";
  return s("g", { class: `caption ${lookOf(channel)}`, "text-anchor": "middle" },
    s("text", { class: "tag", x, y: base }, subjectOf(channel)),
    s("text", { x, y: base + 18 }, verdict),
    wrapped(detail, x, base + 35),
    far && s("text", { class: "far", x, y: box.bottom + 14, dx: 8, "text-anchor": "start" }, far));
}

function wrapped(text, x, y) {
  const words = text.split(" ");
  const lines = [""];
  for (const word of words) {
    if (`${lines.at(-1)} ${word}`.trim().length > 15 && lines.at(-1)) lines.push(word);
    else lines[lines.length - 1] = `${lines.at(-1)} ${word}`.trim();
  }
  return lines.map((line, i) => s("text", { class: "detail", x, y: y + i * 15 }, line));
}

function sourceLabels(view) {
  return view.channels.map((c, i) => {
    if (!["source", "contested", "open"].includes(lookOf(c)) || c.level_db === null) return null;
    const top = view.y(Math.max(c.level_db, c.l10_db ?? c.level_db)) - 12;
    const margin = view.reading.explanation.margin_db;
    const word = { source: "passing", contested: "contested", open: "open" }[lookOf(c)];
    const first = c.valve === view.reading.explanation.source && margin !== null;
    const behind = first ? ` · next ${decibels(margin)} behind` : "";
    const end = view.x[i] > view.box.right - 140 ? "end" : view.x[i] < view.box.left + 140 ? "start" : "middle";
    const shift = { end: 22, start: -22, middle: 0 }[end];
    return s("g", { class: `peak ${lookOf(c)}${isAlarmed(c.valve) ? " alarmed" : ""}`, "text-anchor": end },
      s("text", { class: "peak-name", x: view.x[i] + shift, y: top - 18 }, `${c.valve} ${word}`),
      s("text", { x: view.x[i] + shift, y: top }, `${decibels(c.rise_db, true)}${behind}`));
  });
}

/** The door to a valve's page: the whole column can be clicked, focused, read. */
function door(channel, x, { box, height }) {
  const shape = s("rect", { x: x - 40, y: box.top - 20, width: 80, height: height - box.top + 16, rx: 3 });
  const title = s("title", {}, sentenceOf(channel));
  if (!channel.valve) return s("g", { class: "door", role: "img", "aria-label": sentenceOf(channel) }, title, shape);
  return s("a", { class: "door", href: pathOf.valve(channel.valve), "aria-label": sentenceOf(channel), "data-item": "" }, title, shape);
}

/** The small skyline: rises only, so that all quiet is a flat line. `most` dB is the same for all groups. */
export function smallSkyline(reading, most) {
  const width = 300, ground = 88, top = 22;
  const x = positions(reading.channels.map((c) => ({ ...c, distance_m: null })), 22, width - 22, 8);
  const half = Math.min(11, (x.length > 1 ? x[1] - x[0] : 40) * 0.3);
  const y = (rise) => ground - (Math.max(-2, Math.min(rise, most)) / most) * (ground - top);
  const parts = [s("path", { class: "ground", d: `M4 ${ground}H${width - 4}` })];
  parts.push(...silhouette(reading.channels, x, half, y, ground));
  const named = reading.explanation.source;
  reading.channels.forEach((c, i) => parts.push(...smallMark(c, x[i], half, y, ground, named)));
  return s("svg", { class: "small-skyline", viewBox: `0 0 ${width} 106`, "aria-hidden": "true" }, parts);
}

/** The outline of the rises; broken where a channel has none. */
function silhouette(channels, x, half, y, ground) {
  const runs = [[]];
  channels.forEach((c, i) => {
    if (lookOf(c) === "hole" || c.rise_db === null) runs.push([]);
    else runs.at(-1).push([x[i], y(c.rise_db), c.kind === "reference" ? half * 0.45 : half]);
  });
  return runs.filter((run) => run.length).map((run) => {
    const top = run.map(([px, py, w]) => `${px - w},${py} ${px + w},${py}`).join(" ");
    const [first, last] = [run[0], run.at(-1)];
    return s("g", {},
      s("polygon", { class: "mass", points: `${first[0] - first[2]},${ground} ${top} ${last[0] + last[2]},${ground}` }),
      s("polyline", { class: "outline", points: top }));
  });
}

function smallMark(c, x, half, y, ground, named) {
  const look = lookOf(c);
  const foot = c.kind === "reference"
    ? s("circle", { class: "foot", cx: x, cy: ground + 8, r: 2.5 })
    : s("path", { class: "foot", d: `M${x - 5} ${ground + 5}v7l10 -7v7z` });
  if (look === "hole" || (c.rise_db === null && look !== "open")) {
    return [foot, s("rect", { class: "pit", x: x - half, width: 2 * half, y: ground - 20, height: 20 })];
  }
  const top = c.rise_db === null ? ground - 20 : y(c.rise_db);
  const tall = Math.max(ground - top, 3);
  if (look === "open") return [foot, s("rect", { class: "open-block", x: x - half, width: 2 * half, y: ground - tall, height: tall })];
  if (look !== "source" && look !== "contested") {
    return look === "untestable" ? [foot, s("path", { class: "untested", d: `M${x - half} ${ground - 6}h${2 * half}` })] : [foot];
  }
  const end = x < 70 ? "start" : x > 230 ? "end" : "middle";
  const at = { start: x - half, end: x + half, middle: x }[end];
  return [
    foot,
    s("rect", { class: `peak-block ${look}${isAlarmed(c.valve) ? " alarmed" : ""}`, x: x - half, width: 2 * half, y: top, height: tall }),
    (look === "source" || c.valve === named) && s("text", { class: "peak-text", x: at, y: Math.max(12, top - 6), "text-anchor": end }, `${c.valve}${look === "contested" ? "?" : ""} ${decibels(c.rise_db, true)}`),
  ];
}

/** What the shapes mean, for the group page. */
export function legend() {
  const rows = [
    ["source", "peak: the source"], ["spill", "skirt: hears spill"], ["contested", "barred: contested"], ["open", "hatched: open"],
    ["untestable", "dotted: not testable"], ["hole", "hole: sensor silent or loose"], ["reference", "narrow: reference point"],
  ];
  return h("ul", { class: "legend" }, rows.map(([look, text]) =>
    h("li", {}, s("svg", { viewBox: "0 0 26 20", width: 26, height: 20, class: "skyline", "aria-hidden": "true" },
      s("g", { class: `channel ${look}` }, look === "hole"
        ? s("rect", { class: "pit", x: 4, y: 2, width: 18, height: 16 })
        : s("rect", { class: "rise", x: look === "reference" ? 9 : 4, y: 2, width: look === "reference" ? 8 : 18, height: 16 }))), text)),
    h("li", {}, s("svg", { viewBox: "0 0 26 20", width: 26, height: 20, class: "skyline", "aria-hidden": "true" },
      s("rect", { class: "band", x: 1, y: 6, width: 24, height: 8 })), "grey band: background"));
}
