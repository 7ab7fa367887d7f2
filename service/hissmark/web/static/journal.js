// The alarm journal, page by page; the address holds the filter and the place.

import { ask, h, pathOf } from "./dom.js";
import { iso, pastMoment } from "./past.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

const COLUMNS = [
  { name: "No.", value: (e) => e.seq },
  { name: "At", value: (e) => e.at, cell: (e) => timeElement(e.at, "at") },
  { name: "Valve", value: (e) => e.valve, cell: (e) => h("a", { href: pathOf.valve(e.valve) }, e.valve) },
  { name: "What", value: (e) => e.sentence },
  { name: "State", value: (e) => e.state },
  { name: "Priority", value: (e) => e.priority },
  { name: "Rise, dB", value: (e) => e.rise_db, digits: 1 },
  { name: "Margin, dB", value: (e) => e.margin_db, digits: 1 },
  { name: "Why", value: (e) => e.reason },
  { name: "By", value: (e) => e.operator },
  { name: "Group", value: (e) => e.group, cell: (e) => h("a", { href: pathOf.group(e.group) }, e.group) },
];

export function journalPage(page, _name, query, go) {
  const rows = h("div", { class: "table-wrap" });
  const valve = h("input", { name: "valve", value: query.get("valve") ?? "", placeholder: "any valve", "aria-label": "Valve" });
  const event = h("select", { name: "event", "aria-label": "Event" }, ["", "raised", "cleared", "acknowledged", "shelved", "unshelved", "shelf-expired", "suppressed", "unsuppressed",
    "out-of-service", "returned-to-service"].map((v) =>
    h("option", { value: v, selected: v === (query.get("event") ?? "") }, v || "any event")));
  const older = h("p", {});
  page.replaceChildren(h("section", { class: "panel", "aria-labelledby": "journal-title" },
    h("h1", { id: "journal-title" }, "Alarm journal"),
    h("form", { class: "filter", onsubmit: (e) => { e.preventDefault(); go(`/journal?${filled({ valve: valve.value.trim(), event: event.value })}`); } },
      valve, event, h("button", {}, "Show")),
    rows, older));

  const load = async () => {
    try {
      const asked = filled({ limit: 100, valve: query.get("valve"), event: query.get("event"), before: query.get("before"), to: pastMoment() && iso(pastMoment() + 1000) });
      const answer = await ask(`/api/v1/alarms/journal?${asked}`);
      rows.replaceChildren(answer.entries.length
        ? table(COLUMNS, answer.entries, { name: "journal", caption: "Newest first" })
        : h("p", { class: "none" }, "Nothing on record that fits."));
      const before = answer.next && new URLSearchParams(answer.next.split("?")[1]).get("before");
      older.replaceChildren(before ? h("a", { class: "button", href: `/journal?${filled({ valve: query.get("valve"), event: query.get("event"), before })}` }, "Older entries") : "");
    } catch (error) {
      rows.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  };
  load();
  return (kind) => {
    if ((kind === "journal" || kind === "all") && !query.get("before")) load();
  };
}

function filled(values) {
  return new URLSearchParams(Object.entries(values).filter(([, v]) => v)).toString();
}
