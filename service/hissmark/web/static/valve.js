// The page of one valve: its history on one time axis, and what the program believes now and why.

import { alarmCard } from "./alarms.js";
import { drawCharts, loadCharting } from "./chart.js";
import { ask, decibels, download, h, number, pathOf } from "./dom.js";
import { findValve, live, sortedAlarms } from "./live.js";
import { moveTo, pastMoment, iso } from "./past.js";
import { SettingsThen } from "./settings-then.js";
import { smallSkyline } from "./skyline.js";
import { csv } from "./table.js";
import { ageText, exact, formatAs, serviceNow, timeElement } from "./time.js";
import { Why } from "./why.js";

const SPANS = { "1h": 3600, "6h": 21600, "24h": 86400, "7d": 604800, "30d": 2592000, "1y": 31536000, "5y": 157766400 };
const DEFAULT = "24h";

export function valvePage(page, tag, query, go) {
  if (!findValve(tag, live)) {
    page.replaceChildren(h("section", { class: "panel" }, h("h1", {}, "No such valve"),
      h("p", {}, `The register has no valve “${tag}”. `, h("a", { href: "/" }, "Back to Now"))));
    return () => {};
  }
  const view = new ValveView(page, tag, query, go);
  view.load();
  const update = (kind, detail) => view.update(kind, detail);
  update.leave = () => view.leave();
  update.key = (event) => view.key(event);
  return update;
}

class ValveView {
  constructor(page, tag, query, go) {
    Object.assign(this, { page, tag, go, history: null, remove: () => {}, asked: 0, why: new Why() });
    this.settings = new SettingsThen(tag, query.get("open") === "settings");
    const last = query.get("last");
    const from = Date.parse(query.get("from")) / 1000;
    const to = Date.parse(query.get("to")) / 1000;
    this.fixed = from < to ? { from, to } : null;
    this.last = last in SPANS ? last : DEFAULT;
    this.build();
  }

  build() {
    this.charts = h("div", { class: "charts" });
    this.readout = h("p", { class: "readout", "aria-live": "off" });
    this.trouble = h("p", { class: "trouble", role: "alert" });
    this.side = h("aside", { class: "panel belief", "aria-label": "What the program believes now" });
    this.spans = h("div", { class: "row spans", role: "group", "aria-label": "Span of time" });
    this.page.replaceChildren(h("div", { class: "valve" },
      h("section", { class: "panel chart-panel", "aria-labelledby": "valve-title" },
        h("div", { class: "head" }, h("h1", { id: "valve-title" }, this.tag), this.spans,
          h("button", { type: "button", class: "quiet", onclick: () => this.export() }, "Download as CSV")),
        this.readout, this.trouble, this.charts, key()),
      this.side));
    this.addWorth();
    this.drawSide();
    this.drawSpans();
    this.sizing = new ResizeObserver(() => {
      if (this.history && Math.abs(this.charts.clientWidth - this.width) > 4) this.draw();
    });
    this.sizing.observe(this.charts);
  }

  /** Beneath the charts; its code comes when the first valve is looked at. */
  async addWorth() {
    const { Worth } = await import("./worth.js");
    this.worth = new Worth(this.tag);
    this.page.firstChild.append(this.worth.node);
    this.worth.load();
  }

  span() {
    if (this.fixed) return this.fixed;
    const now = serviceNow() / 1000;
    const at = pastMoment() / 1000;
    const width = SPANS[this.last];
    const to = at && at < now - 0.9 * width ? at + width / 4 : now; // the moment looked at stays in sight
    return { from: to - width, to };
  }

  drawSpans() {
    this.spans.replaceChildren(...Object.keys(SPANS).map((name) =>
      h("button", { type: "button", "aria-pressed": !this.fixed && this.last === name ? "true" : "false", onclick: () => this.follow(name) }, name)),
    h("button", { type: "button", onclick: () => this.zoom(0.5), title: "Zoom in (+)" }, "+"),
    h("button", { type: "button", onclick: () => this.zoom(2), title: "Zoom out (−)" }, "−"));
  }

  follow(name) {
    this.fixed = null;
    this.last = name;
    this.address(`?last=${name}`);
  }

  show(from, to) {
    const now = serviceNow() / 1000;
    const width = Math.max(120, to - from);
    const end = Math.min(to, now + 60);
    this.fixed = { from: end - width, to: end };
    this.address(`?from=${iso(this.fixed.from * 1000)}&to=${iso(this.fixed.to * 1000)}`);
  }

  address(search) {
    const at = pastMoment() === null ? "" : `&at=${iso(pastMoment())}`;
    history.replaceState(null, "", location.pathname + search + at);
    this.drawSpans();
    this.load();
  }

  zoom(factor) {
    const { from, to } = this.span();
    const half = ((to - from) * factor) / 2;
    const middle = this.fixed ? (from + to) / 2 : to - half;
    this.show(middle - half, middle + half);
  }

  key(event) {
    if (["+", "="].includes(event.key)) return this.zoom(0.5), true;
    if (["-", "−"].includes(event.key)) return this.zoom(2), true;
    if (event.key === "0") return this.follow(DEFAULT), true;
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!step || event.target.closest("[data-item]")) return false;
    const { from, to } = this.span();
    const by = ((to - from) / 4) * step;
    this.show(from + by, to + by);
    return true;
  }

  async load() {
    const turn = ++this.asked;
    const span = this.span();
    const asked = (at) => new Date(at * 1000).toISOString();
    const points = Math.min(3000, Math.max(200, Math.round((this.charts.clientWidth || 900) * 1.5)));
    const path = `/api/v1/valves/${encodeURIComponent(this.tag)}/history?from=${asked(span.from)}&to=${asked(span.to)}&points=${points}`;
    try {
      const history = await ask(path);
      if (turn !== this.asked) return;
      Object.assign(this, { history, shown: span });
      this.uPlot = await loadCharting();
      this.draw();
      this.trouble.textContent = history.damaged.join(" ");
    } catch (error) {
      this.trouble.textContent = error.message;
    }
  }

  draw() {
    if (!this.uPlot || !this.history) return;
    this.remove();
    this.width = this.charts.clientWidth;
    this.charts.replaceChildren();
    if (!this.history.at.length) {
      this.charts.append(h("p", { class: "none" }, `Nothing on record for ${this.tag} in this span. ${this.first()}`));
      this.remove = () => {};
      return;
    }
    this.remove = drawCharts(this.uPlot, this.charts, this.history, this.shown, {
      marks: this.history.marks,
      onZoom: (from, to) => this.show(from, to),
      onCursor: (i) => this.read(i),
      onPick: (at) => moveTo(at * 1000),
      moment: pastMoment() / 1000,
    });
    this.wheel();
    this.read(null);
  }

  wheel() {
    for (const over of this.charts.querySelectorAll(".u-over")) {
      over.addEventListener("wheel", (event) => {
        event.preventDefault();
        const { from, to } = this.shown;
        const at = from + ((to - from) * event.offsetX) / over.clientWidth;
        const factor = event.deltaY > 0 ? 1.25 : 0.8;
        this.show(at - (at - from) * factor, at + (to - at) * factor);
      }, { passive: false });
    }
  }

  first() {
    return this.history.first ? `The record begins ${exact(Date.parse(this.history.first))}.` : "The record is empty.";
  }

  read(index) {
    const { at, columns: c, verdicts } = this.history;
    const i = index ?? lastKnown(c.level_db);
    if (i === null || at[i] === undefined) return;
    const run = verdicts.find((v) => v.start <= at[i] && at[i] <= v.end);
    const mark = this.history.marks.find((m) => Math.abs(Date.parse(m.at) / 1000 - at[i]) < (this.shown.to - this.shown.from) / 150);
    const facts = [
      [index === null ? "newest" : "at", `${formatAs("full", at[i] * 1000)}`], ["level", decibels(c.level_db[i])],
      ["L10", decibels(c.l10_db[i])], ["baseline", decibels(c.baseline_db[i])], ["rise", decibels(c.rise_db[i], true)],
      ["verdict", run ? [run.value, run.reason && run.value !== "quiet" ? `: ${run.reason}` : ""].join("") : "–"],
    ];
    if (c.difference_bar[i] !== null) facts.push(["Δp", number(c.difference_bar[i], 1, "bar")]);
    this.readout.title = exact(at[i] * 1000);
    this.readout.replaceChildren(...facts.map(([name, value]) => h("span", {}, h("small", {}, name), ` ${value}`)),
      mark ? h("span", { class: "mark-text" }, mark.sentence) : "");
  }

  drawSide() {
    const found = findValve(this.tag);
    if (!found) return;
    const { channel: c, reading } = found;
    const alarms = sortedAlarms((a) => a.valve === this.tag);
    this.page.firstChild.classList.toggle("no-data", !reading.fresh);
    this.side.replaceChildren(
      h("h2", {}, pastMoment() === null ? "Believed now" : "Believed then"),
      ...alarms.map(alarmCard),
      alarms.some((a) => a.active) ? "" : h("p", { class: "sentence" }, `${this.tag}: ${c.verdict}. ${c.reason_sentence}`), // else the alarm says it
      !reading.fresh ? h("p", { class: "age-note" }, "no data", reading.last_heard ? [" for ", timeElement(reading.last_heard, "age")] : " yet") : "",
      h("a", { class: "tile", href: pathOf.group(reading.group) },
        h("span", { class: "tile-name" }, reading.group), smallSkyline(reading, scaleOf(reading))),
      alarms.some((a) => a.active) ? "" : h("p", { class: "sentence" }, reading.explanation.sentence),
      this.why.node,
      h("h3", {}, "In numbers"),
      h("dl", {}, facts(c).map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)])), this.settings.node);
    this.settings.at(pastMoment());
    this.why.of(this.tag, reading.at);
  }

  update(kind, detail) {
    if (kind === "theme" || kind === "zone" || kind === "all") this.draw();
    const ours = findValve(this.tag)?.reading.group;
    if (kind === "all" || kind === "alarms" || (kind === "groups" && detail.has(ours))) this.drawSide();
    if (kind === "all" || (kind === "groups" && detail.has(ours))) this.worth?.load();
    const moved = kind === "journal" || kind === "all" || (kind === "groups" && detail.has(ours));
    if (moved && !this.fixed) pastMoment() === null ? this.loadSoon() : this.load();
  }

  /** At most one question every two seconds, however fast the ticks come. */
  loadSoon() {
    this.timer ??= setTimeout(() => { this.timer = null; this.load(); }, 2000);
  }

  export() {
    if (!this.history) return;
    const { at, columns, valve } = this.history;
    const names = Object.keys(columns);
    const heads = [{ name: "time", value: (i) => new Date(at[i] * 1000).toISOString() }, ...names.map((name) => ({ name, value: (i) => columns[name][i] }))];
    const rows = at.map((_t, i) => i).filter((i) => names.some((name) => columns[name][i] !== null));
    download(`${valve}.csv`, csv(heads, rows), "text/csv");
  }

  leave() {
    clearTimeout(this.timer);
    this.sizing.disconnect();
    this.asked += 1;
    this.remove();
  }
}

const lastKnown = (values) => { for (let i = values.length - 1; i >= 0; i--) if (values[i] !== null) return i; return null; };
const scaleOf = (reading) => Math.max(20, ...reading.channels.map((c) => c.rise_db ?? 0));

function trendText(t) {
  const rate = `${number(t.db_per_day, 1, "dB")} a day (${number(t.low, 1)} to ${number(t.high, 1)})`;
  if (t.days === null) return rate;
  const days = t.days >= 1.5 ? `${number(t.days, 0)} days` : `${number(24 * t.days, 0)} hours`;
  return `${rate}, ${t.next_severity} in about ${days}`;
}

function facts(c) {
  const open = c.open === null ? "not known" : c.open ? "open" : "closed";
  return [
    ["Level", decibels(c.level_db)], ["Background", `${decibels(c.baseline_db)} (${c.baseline_state})`],
    ["Rise", decibels(c.rise_db, true)], ["Leak alone", c.leak_db === null ? "not resolvable" : decibels(c.leak_db)],
    ...(c.trend ? [["Trend", trendText(c.trend)]] : []), ["Expected", decibels(c.expected_db)], ["Steady", c.steady ? "yes" : "no"],
    ["Position", c.basis.includes("position") ? open : "not measured"],
    ["Pressure difference", c.basis.includes("pressure") ? number(c.difference_bar, 1, "bar") : "not measured"],
    ["Judged on", c.basis], ["Sensor", `${c.channel}: ${c.health}`],
    ["Measures every", c.interval_s === null ? "not learned yet" : ageText(c.interval_s)],
    ["Last heard", timeElement(c.last_heard, "ago")],
  ];
}

function key() {
  return h("p", { class: "chart-key" },
    "Dark line: level (L90). Shade above it: up to L10. Broad grey: background. Dashed: what the best explanation expects. ",
    "Marks: ▲ alarm raised, ■ acknowledged, ▼ back to normal. Drag to zoom, wheel or + − to zoom, ← → to move, 0 for the last day. ",
    "Click a moment to see what was known then.");
}

