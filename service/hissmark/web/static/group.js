// The page of one group: its skyline, what explains it, its channels as a table.

import { alarmCard } from "./alarms.js";
import { decibels, h, pathOf } from "./dom.js";
import { live, sortedAlarms, view } from "./live.js";
import { legend, skyline, subjectOf } from "./skyline.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

export function groupPage(page, name) {
  if (!live.groups.has(name)) {
    page.replaceChildren(h("section", { class: "panel" }, h("h1", {}, "No such group"),
      h("p", {}, `The register has no group “${name}”. `, h("a", { href: "/" }, "All groups"))));
    return () => {};
  }
  const picture = h("div", { class: "picture", "data-scroll": "" });
  const side = h("aside", { class: "panel belief", "aria-label": "What explains it" });
  const rows = h("div", { class: "table-wrap" });
  const age = h("p", { class: "age" });
  let why = null; // its reasons come once their file is here
  page.replaceChildren(h("div", { class: "group" },
    h("section", { class: "panel skyline-panel", "aria-labelledby": "group-title" },
      h("div", { class: "head" }, h("h1", { id: "group-title" }, name), age, steps(name)),
      picture, legend()),
    side,
    h("section", { class: "panel", "aria-labelledby": "rows-title" },
      h("h2", { id: "rows-title" }, "The same as numbers"), rows)));

  const draw = () => {
    const reading = view().groups.get(name);
    if (!reading) return;
    page.firstChild.classList.toggle("no-data", !reading.fresh);
    const held = picture.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    const height = Math.max(430, Math.min(620, window.innerHeight - 330));
    const at = picture.scrollLeft;
    picture.replaceChildren(skyline(reading, picture.clientWidth || 900, height));
    picture.scrollLeft = at;
    if (held) picture.querySelector(`a[href="${CSS.escape(held)}"]`)?.focus();
    age.replaceChildren(...ageOf(reading));
    side.replaceChildren(...belief(reading), why?.node ?? "");
    why?.of(leading(reading), reading.at);
    rows.replaceChildren(channelTable(reading));
  };
  draw();
  showSource(picture);
  import("./why.js").then((m) => { why = new m.Why(); draw(); }).catch(() => {});
  const sizing = new ResizeObserver(() => { if (Math.abs(picture.clientWidth - draw.width) > 4) { draw.width = picture.clientWidth; draw(); } });
  draw.width = picture.clientWidth;
  sizing.observe(picture);
  const update = (kind, detail) => {
    if (kind === "all" || kind === "alarms" || (kind === "groups" && detail.has(name))) draw();
  };
  update.leave = () => sizing.disconnect();
  return update;
}

/** The valve whose story tells most of the group: the source, else the one that stands out most. */
function leading(reading) {
  const valves = reading.channels.filter((c) => c.valve);
  const named = valves.find((c) => c.valve === reading.explanation.source);
  const most = valves.reduce((a, b) => ((b.rise_db ?? -99) > (a?.rise_db ?? -99) ? b : a), valves[0]);
  return (named ?? most)?.valve;
}

/** A group wider than the screen opens where its source is. */
function showSource(picture) {
  const peak = picture.querySelector(".peak text");
  if (peak && picture.scrollWidth > picture.clientWidth) picture.scrollLeft = peak.getAttribute("x") - picture.clientWidth / 2;
}

function ageOf(reading) {
  const said = reading.at ? ["as of ", timeElement(reading.at, "at"), ", ", timeElement(reading.at, "ago")] : ["not judged yet"];
  if (reading.fresh) return said;
  return [...said, h("strong", { class: "age-note" }, "no data", reading.last_heard ? [" for ", timeElement(reading.last_heard, "age")] : " yet")];
}

function steps(name) {
  const at = live.groupNames.indexOf(name);
  const step = (i, text) => live.groupNames[i] && h("a", { class: "button", href: pathOf.group(live.groupNames[i]), title: live.groupNames[i] }, text);
  return h("span", { class: "steps" }, step(at - 1, "‹ previous"), step(at + 1, "next ›"));
}

function belief(reading) {
  const { kind, margin_db: margin, odds } = reading.explanation;
  const next = reading.next_explanation;
  const facts = [["Explanation", reading.explanation.source ? `${kind}: ${reading.explanation.source}` : kind]];
  if (margin !== null) {
    facts.push(["Next", `${next.kind}${next.source ? `: ${next.source}` : ""}`], ["Margin", decibels(margin)]);
  }
  if (odds !== null) facts.push(["Odds", oddsText(odds)]);
  const alarms = sortedAlarms((a) => a.group === reading.group); // also what is put aside: it tells why nobody calls
  const told = alarms.some((a) => a.active && a.valve === reading.explanation.source); // no need to say it twice
  return [
    h("h2", {}, "What explains it"),
    ...alarms.map(alarmCard),
    told ? "" : h("p", { class: "sentence" }, reading.explanation.sentence),
    h("dl", {}, facts.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)])),
  ];
}

/** A log likelihood ratio as odds that a person can read. */
function oddsText(odds) {
  const ratio = Math.exp(Math.min(Math.abs(odds), 20));
  const shown = ratio > 1000 ? "more than 1000" : ratio > 10 ? ratio.toFixed(0) : ratio.toFixed(1);
  return odds >= 0 ? `${shown} to 1` : `1 to ${shown}`;
}

const COLUMNS = [
  { name: "Channel", value: (c) => subjectOf(c), cell: (c) => (c.valve ? h("a", { href: pathOf.valve(c.valve) }, c.valve) : c.channel) },
  { name: "Verdict", value: (c) => (c.kind === "reference" ? "reference point" : c.verdict) },
  { name: "Why", value: (c) => c.reason },
  { name: "Level L90, dB", value: (c) => c.level_db, digits: 1 },
  { name: "L50, dB", value: (c) => c.l50_db, digits: 1 },
  { name: "L10, dB", value: (c) => c.l10_db, digits: 1 },
  { name: "Baseline, dB", value: (c) => c.baseline_db, digits: 1 },
  { name: "Rise, dB", value: (c) => c.rise_db, digits: 1 },
  { name: "Leak alone, dB", value: (c) => c.leak_db, digits: 1 },
  { name: "Expected, dB", value: (c) => c.expected_db, digits: 1 },
  { name: "Difference, bar", value: (c) => c.difference_bar, digits: 1 },
  { name: "Last heard", value: (c) => c.last_heard, cell: (c) => timeElement(c.last_heard, "ago") },
];

function channelTable(reading) {
  return table(COLUMNS, reading.channels, { name: `${reading.group}`, caption: `Channels of ${reading.group} in pipe order` });
}

