// The page "Now": active alarms, newest changes, the plant as small skylines.

import { confirmSeveral } from "./acts.js";
import { alarmCard } from "./alarms.js";
import { h, pathOf } from "./dom.js";
import { isAlarmed, isPast, live, sortedAlarms, view } from "./live.js";
import { changeList, isAside, needsAcknowledge, STATE_WORDS } from "./said.js";
import { lookOf, smallSkyline } from "./skyline.js";
import { timeElement } from "./time.js";

export function nowPage(page) {
  const alarms = h("div", { class: "alarm-list" });
  const aside = h("details", { class: "put-aside" });
  const count = h("p", { class: "count", "aria-live": "polite" });
  const several = h("button", { type: "button", class: "act several-button", "aria-keyshortcuts": "M", onclick: confirmSeveral }, "Acknowledge several");
  const changes = h("div", {});
  const summary = h("p", { class: "count" });
  const plant = h("div", { class: `plant ${live.groupNames.length <= 9 ? "few" : "many"}` });
  page.replaceChildren(
    h("div", { class: "now" },
      h("section", { class: "alarms panel", "aria-labelledby": "alarms-title" },
        h("div", { class: "head" }, h("h1", { id: "alarms-title" }, "Alarms"), count, several), alarms, aside),
      h("section", { class: "changes-panel panel", "aria-labelledby": "changes-title" },
        h("h2", { id: "changes-title" }, "Newest changes"), changes,
        h("p", {}, h("a", { href: "/journal" }, "The whole journal"))),
      h("section", { class: "plant-panel panel", "aria-labelledby": "plant-title" },
        h("h2", { id: "plant-title" }, "The plant"), summary, plant)));

  const tiles = new Map();
  const drawAlarms = () => {
    keepFocus(alarms, () => alarms.replaceChildren(...sortedAlarms((a) => !isAside(a)).map(alarmCard)));
    keepFocus(aside, () => drawAside(aside));
    count.textContent = alarmCount();
    several.hidden = isPast() || sortedAlarms(needsAcknowledge).length < 2;
  };
  const drawChanges = () => changes.replaceChildren(changeList(view().journal.slice(0, 12)));
  const drawPlant = (names) => {
    const most = riseScale();
    const all = !names || most !== drawPlant.most || tiles.size !== live.groupNames.length;
    drawPlant.most = most;
    if (all) {
      tiles.clear();
      for (const name of live.groupNames) if (view().groups.has(name)) tiles.set(name, tile(name, most));
      keepFocus(plant, () => plant.replaceChildren(...tiles.values()));
    } else {
      for (const name of names) if (tiles.has(name)) replaceTile(tiles, name, most);
    }
    summary.replaceChildren(...plantSummary());
  };
  drawAlarms();
  drawChanges();
  drawPlant();
  return (kind, detail) => {
    if (kind === "all") { drawAlarms(); drawChanges(); drawPlant(); }
    if (kind === "alarms") { drawAlarms(); drawPlant(new Set(live.groupNames)); }
    if (kind === "journal") drawChanges();
    if (kind === "groups") drawPlant(detail);
  };
}

/** Redraw, but leave the keyboard where it was. */
function keepFocus(container, draw) {
  const held = container.contains(document.activeElement) ? document.activeElement.closest("[data-key]")?.dataset.key : null;
  draw();
  if (held) [...container.querySelectorAll("[data-key]")].find((node) => node.dataset.key === held)?.focus();
}

function alarmCount() {
  const rows = sortedAlarms((a) => !isAside(a));
  if (!rows.length) return sortedAlarms().length ? "None in view; see what is put aside." : "None. No valve is known to be passing.";
  return `${rows.length} standing, ${rows.filter(needsAcknowledge).length} to acknowledge.`;
}

/** What is shelved, suppressed or out of service: folded away, its number always in sight. */
function drawAside(aside) {
  const rows = sortedAlarms(isAside).sort((a, b) => (a.shelved_until ?? "9").localeCompare(b.shelved_until ?? "9"));
  const kinds = ["shelved", "out-of-service", "suppressed-by-design"].map((state) => [rows.filter((a) => a.state === state).length, STATE_WORDS[state]]);
  aside.hidden = !rows.length;
  aside.replaceChildren(
    h("summary", {}, `Put aside: ${kinds.filter(([n]) => n).map(([n, word]) => `${n} ${word}`).join(", ")}`),
    h("div", { class: "alarm-list" }, rows.map(alarmCard)));
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

function replaceTile(tiles, name, most) {
  const before = tiles.get(name);
  const after = tile(name, most);
  const held = before === document.activeElement;
  before.replaceWith(after);
  tiles.set(name, after);
  if (held) after.focus();
}

function tile(name, most) {
  const reading = view().groups.get(name);
  const alarmed = reading.channels.some((c) => c.valve && c.verdict === "passing" && isAlarmed(c.valve));
  return h("a", {
    class: `tile${reading.fresh ? "" : " no-data"}${alarmed ? " alarmed" : ""}`,
    href: pathOf.group(name), "data-item": "", "data-key": name, "data-group": name,
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
  if (kind === "even shift" || kind === "outside noise") return "outside noise";
  if (kind === "unexplained") return "unexplained";
  const valves = reading.channels.filter((c) => c.kind === "valve");
  const untested = valves.filter((c) => c.verdict === "not testable").length;
  const holes = valves.filter((c) => lookOf(c) === "hole").length;
  if (untested === valves.length) return "not testable";
  if (holes) return `${holes} sensor${holes > 1 ? "s" : ""} out`;
  return untested ? `quiet, ${untested} not testable` : "quiet";
}

