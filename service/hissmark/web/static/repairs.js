// The page "Repairs": what to repair now, what was found and done, and whether the sound says that it worked.

import { mayAct } from "./acts.js";
import { ask, counted, h, pathOf } from "./dom.js";
import { isBlind } from "./live.js";
import { recordForm } from "./record.js";
import { money, stateOf, valveLink } from "./recorded.js";
import { repairPage } from "./repair.js";
import { iso } from "./spans.js";
import { table } from "./table.js";
import { serviceNow, timeElement } from "./time.js";

const DAY_MS = 86400e3;
const LOOK_MS = 10e3; // checks move on with the ticks

const REPAIRS = [
  { name: "No.", value: (r) => r.id, cell: (r) => h("a", { href: `/repairs/${r.id}` }, `Repair ${r.id}`) },
  { name: "Done", value: (r) => r.at, cell: (r) => timeElement(r.at, "at") },
  { name: "Valve", value: (r) => r.valve, cell: (r) => valveLink(r.valve) },
  { name: "Work", value: (r) => r.work_text },
  { name: "By", value: (r) => r.who },
  { name: "Cost", value: (r) => money(r.cost), cell: (r) => h("span", { class: "whole" }, money(r.cost)) },
  { name: "What the sound says", value: stateOf, cell: (r) => stateCell(r) },
];
const FINDINGS = [
  { name: "No.", value: (f) => f.id, cell: (f) => `Finding ${f.id}` },
  { name: "Found", value: (f) => f.at, cell: (f) => timeElement(f.at, "at") },
  { name: "Valve", value: (f) => f.valve, cell: (f) => valveLink(f.valve) },
  { name: "What", value: (f) => f.found, cell: (f) => (f.source ? ["wrong valve: ", valveLink(f.source), " passes"] : f.found) },
  { name: "By", value: (f) => f.who },
  { name: "Note", value: (f) => f.note },
];

/** The list, or one repair: /repairs/3. */
export function repairsPage(page, name, query) {
  return name ? repairPage(page, name) : listPage(page, query);
}

function listPage(page, query) {
  const list = h("div", {}, h("p", { class: "loading" }, "Asking the service…"));
  const repairs = h("div", { class: "table-wrap" });
  const findings = h("div", { class: "table-wrap" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const kept = h("div", {});
  askKept(kept);
  const load = async () => {
    try {
      const [next, done, found] = await Promise.all([ask("/api/v1/repair-list"), ask("/api/v1/repairs?limit=200"), ask("/api/v1/findings?limit=200")]);
      trouble.textContent = "";
      list.replaceChildren(...drawnList(next));
      repairs.replaceChildren(drawn(done.repairs, REPAIRS, "repairs", "No repair is on record yet."), spent(done.repairs));
      findings.replaceChildren(drawn(found.findings.filter((f) => f.stands), FINDINGS, "findings", "No finding is on record yet."));
    } catch (error) {
      trouble.textContent = error.message;
    }
  };
  page.replaceChildren(h("div", { class: "repairs" },
    h("section", { class: "panel next", "aria-labelledby": "next-title" },
      h("div", { class: "head" }, h("h1", { id: "next-title" }, "Repairs")), trouble, list),
    mayAct() && h("section", { class: "panel record act", "aria-labelledby": "record-title" }, h("h2", { id: "record-title" }, "Put on record"), recordForm(query, load)),
    h("section", { class: "panel done", "aria-labelledby": "done-title" }, h("h2", { id: "done-title" }, "Repairs and their checks"), repairs),
    h("section", { class: "panel found-panel", "aria-labelledby": "findings-title" }, h("h2", { id: "findings-title" }, "Findings"), findings),
    h("section", { class: "panel reports-panel", "aria-labelledby": "reports-title" }, h("h2", { id: "reports-title" }, "Reports"), reportLinks(), kept)));
  load();
  const timer = setInterval(() => !isBlind() && load(), LOOK_MS);
  const update = (kind) => { if (kind === "zone" || kind === "all" || kind === "alarms") load(); };
  update.leave = () => clearInterval(timer);
  return update;
}

const report = (days, form) => `/api/v1/report?${new URLSearchParams({ from: iso(serviceNow() - days * DAY_MS), format: form })}`;

function reportLinks() {
  const spans = [[1, "the last day"], [7, "the last 7 days"], [30, "the last 30 days"]];
  return h("ul", { class: "report-links" }, spans.map(([days, text]) => h("li", {}, `Of ${text}: `,
    h("a", { href: report(days, "html"), target: "_blank" }, "to read"), ", ", h("a", { href: report(days, "pdf"), target: "_blank" }, "as PDF"))));
}

/** Those that the service made by itself. */
async function askKept(place) {
  const { reports } = await ask("/api/v1/reports").catch(() => ({ reports: [] }));
  if (!reports.length) return;
  const link = (row, form, text) => h("a", { href: `/api/v1/reports/${row.id}?format=${form}`, target: "_blank" }, text);
  place.replaceChildren(h("h3", {}, "Made on schedule"), h("ul", { class: "report-links" }, reports.slice(0, 12).map((row) =>
    h("li", {}, `${row.since.slice(0, 10)} to ${row.until.slice(0, 10)} (UTC): `, link(row, "html", "to read"), ", ", link(row, "pdf", "as PDF")))));
}

function drawn(rows, columns, name, none) {
  return rows.length ? table(columns, rows, { name, caption: "Newest first" }) : h("p", { class: "none" }, none);
}

/** What those that count have cost together, currency by currency. */
function spent(rows) {
  const costs = rows.filter((r) => r.stands && r.cost).map((r) => r.cost);
  const sums = new Map();
  for (const { amount, currency } of costs) sums.set(currency, (sums.get(currency) ?? 0) + Math.round(100 * amount));
  const words = [...sums].sort().map(([currency, cents]) => money({ amount: (cents / 100).toFixed(2), currency })).join(" and ");
  const standing = rows.filter((r) => r.stands).length;
  return words ? h("p", { class: "hint" }, `Together ${words}, of ${costs.length} of ${counted(standing, "repair")}.`) : "";
}

/** A check that has not proved the repair is told by a mark and words, not by colour alone. */
function stateCell(row) {
  const outcome = row.check?.outcome;
  const bad = outcome === "still passing" || outcome === "source elsewhere";
  return h("span", { class: `check ${outcome ? "ended" : "runs"}${bad ? " bad" : ""}${row.stands ? "" : " gone"}` },
    bad ? "▲ " : "", stateOf(row), row.check?.about && !outcome ? "" : row.check?.outcome === "source elsewhere" ? [": ", valveLink(row.check.about)] : "");
}

const GROUPS = [
  ["repair", "Repair now, in this order", "No valve calls for a repair."],
  ["check by hand", "Check by hand", ""],
  ["wait", "Wait", ""],
  ["leave alone", "Leave alone", ""],
];

function drawnList(next) {
  const parts = GROUPS.flatMap(([deed, title, none]) => {
    const rows = next.rows.filter((row) => row.deed === deed);
    if (!rows.length) return none ? [h("h2", {}, title), h("p", { class: "none" }, none)] : [];
    return [h("h2", {}, title), deed === "leave alone" ? alone(rows) : h(deed === "repair" ? "ol" : "ul", { class: `deeds ${deed.replaceAll(" ", "-")}` }, rows.map(item))];
  });
  return [...parts, h("p", { class: "spared" }, next.spared.sentence)];
}

function item(row) {
  return h("li", {}, h("p", { class: "what" }, h("strong", {}, valveLink(row.valve)), " in ", h("a", { href: pathOf.group(row.group) }, row.group), `. ${row.why[0]}`),
    row.why.length > 1 && h("p", { class: "why-so" }, row.why.slice(1).join(" ")),
    row.deed === "repair" && mayAct() && h("a", { class: "button act", href: `/repairs?valve=${encodeURIComponent(row.valve)}` }, "Put its repair on record"));
}

const OF_SEVERAL = (why) => why.replace("It hears", "they hear").replace("What it hears", "what they hear").replace("its group", "their group");

/** Many hear one source: told once for each reason. */
function alone(rows) {
  const reasons = new Map();
  for (const row of rows) reasons.set(row.why[0], [...(reasons.get(row.why[0]) ?? []), row.valve]);
  return h("ul", { class: "deeds" }, [...reasons].map(([why, tags]) =>
    h("li", {}, h("p", {}, tags.flatMap((tag, i) => [i ? ", " : "", valveLink(tag)]), `: ${tags.length > 1 ? OF_SEVERAL(why) : why[0].toLowerCase() + why.slice(1)}`))));
}
