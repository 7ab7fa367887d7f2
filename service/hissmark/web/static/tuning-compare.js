// A trial's result: what happened, what would have happened, and the difference in the middle.

import { askFirst, post } from "./acts.js";
import { counted, h, pathOf } from "./dom.js";
import { table } from "./table.js";
import { ageText, exact, moment } from "./time.js";

const ORDER = ["gained", "lost", "earlier", "later", "lasted otherwise"];

/** To the moment an alarm was raised (or would have been): the valve as it was heard then. */
const then = (valve, at) => (at ? h("a", { href: `${pathOf.valve(valve)}?last=24h&at=${at}`, title: exact(Date.parse(at)), class: "whole" }, moment(Date.parse(at))) : "–");
const stood = (e) => (e.gone ? (Date.parse(e.gone) - Date.parse(e.raised)) / 1000 : null);
const ALARMS = [
  { name: "Raised", value: (e) => e.raised, cell: (e) => then(e.valve, e.raised) },
  { name: "Valve", value: (e) => e.valve },
  { name: "Alarm", value: (e) => e.alarm },
  { name: "Rise, dB", value: (e) => e.rise_db, digits: 1 },
  { name: "Stood", value: stood, cell: (e) => (stood(e) === null ? "to the end" : ageText(stood(e))) },
];
const DIFFERENCES = [
  { name: "Difference", value: (d) => d.difference },
  { name: "Valve", value: (d) => d.valve, cell: (d) => h("a", { href: pathOf.valve(d.valve) }, d.valve) },
  { name: "Alarm", value: (d) => d.alarm },
  { name: "Happened", value: (d) => d.happened?.raised, cell: (d) => then(d.valve, d.happened?.raised) },
  { name: "Would have", value: (d) => d.would?.raised, cell: (d) => then(d.valve, d.would?.raised) },
  { name: "Moved", value: (d) => d.shift_s, cell: (d) => (d.shift_s ? `${ageText(Math.abs(d.shift_s))} ${d.shift_s > 0 ? "later" : "earlier"}` : "") },
];

export function compared(result, published) {
  const ours = result.differences.filter((d) => d.by_change).sort((a, b) => ORDER.indexOf(a.difference) - ORDER.indexOf(b.difference));
  const others = result.differences.filter((d) => !d.by_change);
  return h("div", {}, h("div", { class: "tuning-sides" },
    side("What happened", result.happened, "happened"),
    h("section", { class: "panel", "aria-label": "Difference" }, h("h2", {}, "Difference"), h("p", { class: "tuning-counts" }, tally(ours)),
      scores(result).map((text) => h("p", {}, text)),
      ours.length ? wrapped(DIFFERENCES, ours, "differences", "By the change") : "",
      others.length ? h("details", {}, h("summary", {}, `${others.length} more that show without the change too`),
        h("p", { class: "hint" }, "The replay knows less of the time before the period than the service did."), wrapped(DIFFERENCES, others, "others", "Not by the change")) : "",
      live(result.request.settings, published)),
    side("What would have happened", result.would, "would")));
}

const wrapped = (columns, rows, name, caption) => h("div", { class: "table-wrap" }, table(columns, rows, { name, caption }));

function side(title, rows, name) {
  return h("section", { class: "panel", "aria-label": title }, h("h2", {}, title), h("p", {}, rows.length ? `${counted(rows.length, "alarm")}.` : "No alarm."), rows.length ? wrapped(ALARMS, rows, name, "In order of time") : "");
}

function tally(rows) {
  const found = ORDER.map((name) => [name, rows.filter((d) => d.difference === name).length]).filter(([, n]) => n);
  return found.length ? `${found.map(([name, n]) => `${n} ${name}`).join(", ")}.` : "Nothing would have been different.";
}

/** Against what was found: before and with the change, with intervals. */
function scores({ score_happened: before, score_would: after }) {
  if (!before.recall.cases && !before.precision.cases && !after.precision.cases) {
    return ["No finding or repair is on record for this period, so nothing tells which alarms were right. ", `Nobody looked at ${counted(before.unknown, "alarm")} that happened, and at ${after.unknown} that would have.`];
  }
  return [
    `Known leaks found: ${share(before.recall)} as it happened, ${share(after.recall)} with the change.`,
    `Alarms that were right: ${share(before.precision)} as it happened, ${share(after.precision)} with the change; nobody looked at ${before.unknown} and ${after.unknown}.`,
  ];
}

export const share = (p) => (p.cases ? `${p.hits} of ${p.cases} (${percent(p.low)} to ${percent(p.high)} %)` : "none to judge");
const percent = (value) => Math.round(100 * value);

/** Put the tried settings live: asked once more, with a name and a reason. */
function live(settings, published) {
  const told = h("p", { role: "status" });
  const list = () => h("ul", {}, settings.flatMap((s) => Object.entries(s.values).map(([name, value]) => h("li", {}, `${s.subject || "The whole site"}: ${name} ${value}`))));
  const publish = () => askFirst({
    title: "Put these settings live?", told: list(), verb: "Put live", reason: true,
    advice: "They count from the next tick on, without a restart. Fewer alarms also means more that is missed; “quiet” is no proof of isolation.",
    send: async ({ operator, comment }) => {
      told.textContent = (await post("/api/v1/settings/publish", { settings, operator, reason: comment })).message;
      published();
    },
  });
  return h("div", { class: "tuning-live" }, h("button", { type: "button", class: "acknowledge", onclick: publish }, "Put live…"), told);
}
