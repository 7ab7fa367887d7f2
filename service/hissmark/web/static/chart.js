// Charts of one valve over time on uPlot, all on one time axis: level, rise, pressure difference, strips.

import { h } from "./dom.js";
import { formatAs } from "./time.js";

let loading = null;

/** Load the charting library once, from this server. */
export function loadCharting() {
  loading ??= new Promise((resolve, reject) => {
    document.head.append(h("link", { rel: "stylesheet", href: "/static/uplot.css" }), h("link", { rel: "stylesheet", href: "/static/chart.css" }));
    document.head.append(h("script", { src: "/static/uplot.js", onload: () => resolve(window.uPlot), onerror: () => reject(new Error("The charting library is not installed; the data is below as a table.")) }));
  });
  return loading;
}

const LEFT = 62;
const colour = (name) => getComputedStyle(document.getElementById("page")).getPropertyValue(name).trim();

/** Everything needed to draw: ink, alarm and so on, from the style sheet in force. */
function inks() {
  return Object.fromEntries(["ink", "soft", "faint", "line", "band", "alarm", "panel"].map((name) => [name, colour(`--${name}`)]));
}

/** Time on the axis: days where days are shown, else hours; the date where it changes. */
function axisTimes(u, splits, _axis, _space, step) {
  let last = "";
  return splits.map((at) => {
    const ms = at * 1000;
    if (step >= 28 * 86400) return formatAs("month", ms);
    const day = formatAs("day", ms);
    if (step >= 86400) return day;
    const text = formatAs(step < 60 ? "second" : "minute", ms);
    const shown = day === last ? text : `${text}\n${day}`;
    last = day;
    return shown;
  });
}

function axes(ink, unit, withTimes) {
  const look = { stroke: ink.soft, font: "12px system-ui, sans-serif", grid: { stroke: ink.line, width: 1 }, ticks: { show: false } };
  return [
    { ...look, values: axisTimes, size: withTimes ? 40 : 0, show: withTimes, space: 70 },
    { ...look, size: LEFT, label: unit, labelSize: 18, labelFont: "12px system-ui, sans-serif" },
  ];
}

function line(label, stroke, more) {
  return { label, stroke, width: 1.6, points: { show: false }, spanGaps: false, ...more };
}

function base({ width, height, key, ink, onZoom, onCursor, onPick, unit, withTimes = false, range }) {
  return {
    width, height, pxAlign: 0, legend: { show: false }, padding: [10, 14, withTimes ? 0 : 10, 0],
    cursor: { sync: { key }, drag: { x: true, y: false, setScale: false }, points: { size: 7 }, y: false },
    scales: { x: { time: true }, y: { range } },
    axes: axes(ink, unit, withTimes),
    hooks: {
      ready: [(u) => u.over.addEventListener("click", (event) => event.detail === 1 && onPick(u.posToVal(event.offsetX, "x")))],
      setSelect: [(u) => {
        if (u.select.width > 3) onZoom(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
        u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
      }],
      setCursor: [(u) => onCursor(u.cursor.idx)],
    },
  };
}

const padded = (least) => (_u, low, high) => {
  if (low === null || high === null) return [0, least];
  const middle = (low + high) / 2;
  const half = Math.max((high - low) * 0.56, least / 2);
  return [Math.floor(middle - half), Math.ceil(middle + half)];
};

/** Draw all charts of a history into `place`. Returns how to take them away. */
export function drawCharts(uPlot, place, history, span, { onZoom, onCursor, onPick, marks, moment }) {
  const ink = inks();
  const width = Math.max(320, place.clientWidth);
  const common = { width, key: `hissmark-${history.valve}`, ink, onZoom, onCursor, onPick };
  const c = history.columns;
  const tall = Math.max(240, Math.min(520, innerHeight - 610)); // the rest of the page fits below it
  const times = [span.from, span.to];
  const charts = [
    levelChart(uPlot, { ...common, height: tall, unit: "level, dB", range: padded(20) }, history, ink),
    riseChart(uPlot, { ...common, height: 150, unit: "rise, dB", range: (_u, low, high) => [Math.min(-3, Math.floor(low ?? 0)), Math.max(12, Math.ceil(high ?? 0) + 2)] }, history, ink),
  ];
  if (c.difference_bar.some((v) => v !== null)) {
    charts.push(new uPlot({ ...base({ ...common, height: 96, unit: "Δp, bar", range: padded(4) }), series: [{}, line("difference", ink.ink)] }, [history.at, c.difference_bar]));
  }
  charts.push(stripChart(uPlot, { ...common, height: 118, unit: " ", withTimes: true, range: [0, 2] }, history, ink));
  for (const chart of charts) {
    chart.setScale("x", { min: times[0], max: times[1] });
    chart.hooks ??= {};
    (chart.hooks.draw ??= []).push((u) => drawMarks(u, marks, ink, moment));
    place.append(chart.root);
    chart.redraw(false);
  }
  return () => charts.forEach((chart) => chart.destroy());
}

function levelChart(uPlot, options, history, ink) {
  const c = history.columns;
  const made = base(options);
  return new uPlot({
    ...made,
    series: [{},
      line("L10", "transparent", { width: 0 }),
      line("L90", ink.ink, { width: 1.8 }),
      line("baseline", ink.band, { width: 9 }),
      line("L50", ink.soft, { width: 1 }),
      line("expected", ink.soft, { width: 1.2, dash: [5, 4] })],
    bands: [{ series: [1, 2], fill: ink.faint }],
  }, [history.at, c.l10_db, c.level_db, c.baseline_db, c.l50_db, c.expected_db]);
}

function riseChart(uPlot, options, history, ink) {
  return new uPlot({
    ...base(options),
    series: [{}, line("rise", ink.ink, { fill: ink.faint, fillTo: 0 })],
  }, [history.at, history.columns.rise_db]);
}

function stripChart(uPlot, options, history, ink) {
  const made = base(options);
  made.axes[1] = { ...made.axes[1], splits: () => [0.5, 1.5], values: () => ["position", "verdict"], grid: { show: false } };
  made.cursor.points = { show: false };
  made.hooks.draw = [(u) => {
    drawRuns(u, history.verdicts, 1, ink, verdictFill);
    drawRuns(u, history.open, 0, ink, openFill);
  }];
  return new uPlot({ ...made, series: [{}, line("", "transparent")] }, [history.at, history.at.map(() => null)]);
}

/** How a verdict fills its strip: always a pattern or a text beside the shade. */
function verdictFill(value, ink) {
  return {
    passing: { fill: ink.alarm, text: ink.panel }, contested: { edge: ink.alarm, hatch: ink.alarm },
    spill: { fill: ink.soft, text: ink.panel }, "outside noise": { fill: ink.faint, hatch: ink.soft },
    unsettled: { fill: ink.faint, edge: ink.soft }, "not testable": { hatch: ink.soft, edge: ink.soft },
    quiet: { edge: ink.line }, unknown: {},
  }[value] ?? {};
}

const openFill = (value, ink) =>
  ({ open: { fill: ink.faint, hatch: ink.ink, edge: ink.ink }, closed: { edge: ink.line }, "position not known": { hatch: ink.line } })[value];

function drawRuns(u, runs, row, ink, fillOf) {
  const { ctx } = u;
  const ratio = devicePixelRatio;
  const top = u.valToPos(row + 0.92, "y", true);
  const tall = u.valToPos(row + 0.08, "y", true) - top;
  ctx.save();
  ctx.beginPath();
  ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
  ctx.clip();
  ctx.font = `${11 * ratio}px system-ui, sans-serif`;
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  for (const run of runs) {
    const left = Math.max(u.bbox.left, u.valToPos(run.start, "x", true));
    const right = Math.min(u.bbox.left + u.bbox.width, Math.max(u.valToPos(run.end, "x", true), left + ratio));
    if (right < u.bbox.left || left > right) continue;
    paint(ctx, { left, top, wide: right - left, tall }, fillOf(run.value, ink), ratio);
    caption(ctx, run, { left, top, wide: right - left, tall }, fillOf(run.value, ink), ink, ratio);
  }
  ctx.restore();
}

function paint(ctx, { left, top, wide, tall }, { fill, hatch, edge }, ratio) {
  if (fill) {
    ctx.fillStyle = fill;
    ctx.fillRect(left, top, wide, tall);
  }
  if (hatch) {
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, wide, tall);
    ctx.clip();
    ctx.strokeStyle = hatch;
    ctx.lineWidth = ratio;
    ctx.beginPath();
    for (let x = left - tall; x < left + wide; x += 7 * ratio) {
      ctx.moveTo(x, top + tall);
      ctx.lineTo(x + tall, top);
    }
    ctx.stroke();
    ctx.restore();
  }
  if (edge) {
    ctx.strokeStyle = edge;
    ctx.lineWidth = ratio;
    ctx.strokeRect(left, top, wide, tall);
  }
}

function caption(ctx, run, { left, top, wide, tall }, look, ink, ratio) {
  const text = run.value === "not testable" && run.reason ? `not testable: ${run.reason}` : run.value;
  const room = wide - 10 * ratio;
  const shown = [text, run.value].find((t) => ctx.measureText(t).width < room);
  if (!shown) return;
  const width = ctx.measureText(shown).width;
  if (look.hatch) {
    ctx.fillStyle = ink.panel;
    ctx.fillRect(left + 3 * ratio, top + tall / 2 - 8 * ratio, width + 6 * ratio, 16 * ratio);
  }
  ctx.fillStyle = look.text ?? ink.ink;
  ctx.fillText(shown, left + 6 * ratio, top + tall / 2);
}

const SHAPES = { raised: "up", cleared: "down", acknowledged: "tick" };

/** Alarms as marks: a line through every chart, a shape at its head. */
function drawMarks(u, marks, ink, moment) {
  const { ctx } = u;
  const ratio = devicePixelRatio;
  ctx.save();
  if (moment) drawMoment(u, u.valToPos(moment, "x", true), ink, ratio);
  for (const mark of marks) {
    const x = u.valToPos(Date.parse(mark.at) / 1000, "x", true);
    if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) continue;
    ctx.strokeStyle = ctx.fillStyle = mark.event === "raised" ? ink.alarm : ink.soft;
    ctx.lineWidth = ratio;
    ctx.setLineDash(mark.event === "raised" ? [] : [3 * ratio, 3 * ratio]);
    ctx.beginPath();
    ctx.moveTo(x, u.bbox.top);
    ctx.lineTo(x, u.bbox.top + u.bbox.height);
    ctx.stroke();
    ctx.setLineDash([]);
    head(ctx, SHAPES[mark.event] ?? "dot", x, u.bbox.top + 6 * ratio, 5 * ratio);
  }
  ctx.restore();
}

/** The past moment that the page looks at: a broad line, and what came later veiled. */
function drawMoment(u, x, ink, ratio) {
  const { ctx, bbox } = u;
  const right = bbox.left + bbox.width;
  if (x > right) return;
  const left = Math.max(x, bbox.left);
  ctx.fillStyle = ink.panel;
  ctx.globalAlpha = 0.6;
  ctx.fillRect(left, bbox.top, right - left, bbox.height);
  ctx.globalAlpha = 1;
  ctx.fillStyle = ink.ink;
  if (x >= bbox.left) ctx.fillRect(x - 1.5 * ratio, bbox.top, 3 * ratio, bbox.height);
}

function head(ctx, shape, x, y, r) {
  ctx.beginPath();
  if (shape === "up") { ctx.moveTo(x, y - r); ctx.lineTo(x + r, y + r); ctx.lineTo(x - r, y + r); }
  else if (shape === "down") { ctx.moveTo(x, y + r); ctx.lineTo(x + r, y - r); ctx.lineTo(x - r, y - r); }
  else if (shape === "tick") { ctx.rect(x - r * 0.8, y - r * 0.8, r * 1.6, r * 1.6); }
  else ctx.arc(x, y, r * 0.8, 0, 7);
  ctx.closePath();
  ctx.fill();
}
