// The plant as small skylines: every group of a small plant, of a large one those that have something to tell.

import { h, pathOf } from "./dom.js";
import { isAlarmed, live, sortedAlarms, view } from "./live.js";
import { lookOf, smallSkyline } from "./skyline.js";
import { timeElement } from "./time.js";

const MANY = 36; // up to so many groups each has its skyline, quiet or not

export class Plant {
  constructor() {
    this.summary = h("p", { class: "count" });
    this.loud = h("div", { class: `plant ${live.groupNames.length <= 9 ? "few" : "many"}` });
    this.names = h("div", { class: "calm-names" });
    this.said = h("summary", {});
    this.calm = h("details", { class: "calm", ontoggle: () => this.drawCalm() }, this.said, this.names);
    this.tiles = new Map();
  }

  /** Draw these groups anew (all if none are named), and what has moved between quiet and not. */
  draw(names) {
    const most = riseScale();
    if (most !== this.most) names = null;
    this.most = most;
    const called = new Set(sortedAlarms().map((alarm) => alarm.group));
    let moved = !names;
    for (const name of names ?? view().groups.keys()) {
      const reading = view().groups.get(name);
      if (!reading) continue;
      const before = this.tiles.get(name);
      const after = isCalm(reading, called) ? null : tile(name, reading, most);
      if (before && after && names) replace(before, after);
      else moved ||= Boolean(before) !== Boolean(after);
      if (after) this.tiles.set(name, after);
      else this.tiles.delete(name);
    }
    if (moved) this.arrange();
    this.summary.replaceChildren(...plantSummary());
  }

  /** All tiles in the order of the register; the keyboard stays where it was. */
  arrange() {
    const held = this.loud.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    this.loud.replaceChildren(...live.groupNames.map((name) => this.tiles.get(name)).filter(Boolean));
    if (held) this.tiles.get(held)?.focus();
    this.drawCalm();
  }

  /** Quiet groups by name, written out only while somebody looks at them. */
  drawCalm() {
    const quiet = live.groupNames.filter((name) => view().groups.has(name) && !this.tiles.has(name));
    this.calm.hidden = !quiet.length;
    this.said.textContent = `${quiet.length} ${quiet.length === 1 ? "group is" : "groups are"} quiet`;
    this.names.replaceChildren(...(this.calm.open ? quiet : []).map((name) => h("a", { href: pathOf.group(name), "data-item": "", "data-key": name }, name)));
  }
}

/** Of many groups one that is quiet, heard, and about which no alarm stands. */
function isCalm(reading, called) {
  return live.groupNames.length > MANY && reading.fresh && !called.has(reading.group) && tileWord(reading) === "quiet";
}

function replace(before, after) {
  const held = before === document.activeElement;
  before.replaceWith(after);
  if (held) after.focus();
}

function plantSummary() {
  const counts = {};
  let blind = 0;
  for (const reading of view().groups.values()) {
    if (!reading.fresh) blind += 1;
    for (const c of reading.channels) if (c.kind === "valve") counts[c.verdict] = (counts[c.verdict] ?? 0) + 1;
  }
  const total = Object.values(counts).reduce((a, b) => a + b, 0);
  const order = ["passing", "contested", "spill", "outside noise", "unsettled", "not testable", "quiet"];
  const said = order.filter((v) => counts[v]).map((v) => `${counts[v]} ${v}`).join(", ");
  return [
    `${total} valves in ${live.groupNames.length} groups: ${said}.`,
    blind ? h("strong", {}, ` No data from ${blind} ${blind === 1 ? "group" : "groups"}.`) : "",
  ];
}

/** One scale for all tiles, so that a peak is a peak across the room. */
function riseScale() {
  let most = 15;
  for (const reading of view().groups.values()) {
    for (const c of reading.channels) if (c.rise_db !== null) most = Math.max(most, c.rise_db);
  }
  return Math.ceil(most / 10) * 10;
}

function tile(name, reading, most) {
  const alarmed = reading.channels.some((c) => c.valve && c.verdict === "passing" && isAlarmed(c.valve));
  return h("a", {
    class: `tile${reading.fresh ? "" : " no-data"}${alarmed ? " alarmed" : ""}`,
    href: pathOf.group(name), "data-item": "", "data-key": name, "data-group": name, "data-at": reading.at,
    "aria-label": `${name}: ${reading.fresh ? "" : "no fresh data. "}${reading.explanation.sentence}`,
  },
    h("span", { class: "tile-name" }, name),
    h("span", { class: "tile-word" }, tileWord(reading)),
    smallSkyline(reading, most),
    !reading.fresh && h("span", { class: "age-note" }, "no data", reading.last_heard ? [" for ", timeElement(reading.last_heard, "age")] : " yet"));
}

function tileWord(reading) {
  const { kind, source } = reading.explanation;
  const at = reading.channels.find((c) => c.valve === source);
  if ((kind === "one passing" || kind === "two passing") && at) {
    return at.verdict === "passing" ? "passing" : at.verdict;
  }
  if (kind === "open valve") return source ? `${source} open` : "open valve";
  const valves = reading.channels.filter((c) => c.kind === "valve");
  const calm = valves.every((c) => c.verdict === "quiet" || c.verdict === "not testable");
  if (!calm && (kind === "even shift" || kind === "outside noise")) return "outside noise";
  if (!calm && kind === "unexplained") return "unexplained";
  const untested = valves.filter((c) => c.verdict === "not testable").length;
  const holes = valves.filter((c) => lookOf(c) === "hole").length;
  if (untested === valves.length) return "not testable";
  if (holes) return `${holes} sensor${holes > 1 ? "s" : ""} out`;
  return untested ? `quiet, ${untested} not testable` : "quiet";
}

