// Sensors: health, when last heard, how the background stands; names and records that do not fit the register.

import { ask, h, pathOf } from "./dom.js";
import { view } from "./live.js";
import { subjectOf } from "./skyline.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

const SENSORS = [
  { name: "Channel", value: (c) => c.channel },
  { name: "On", value: (c) => subjectOf(c), cell: (c) => (c.valve ? h("a", { href: pathOf.valve(c.valve) }, c.valve) : "reference point") },
  { name: "Group", value: (c) => c.group, cell: (c) => h("a", { href: pathOf.group(c.group) }, c.group) },
  { name: "Health", value: (c) => c.health, cell: (c) => (c.health === "well" ? "well" : h("strong", { class: "fault" }, `▲ ${c.health}`)) },
  { name: "Last heard", value: (c) => c.last_heard, cell: (c) => timeElement(c.last_heard, "ago") },
  { name: "Every, s", value: (c) => c.interval_s, digits: 0 },
  { name: "Background", value: (c) => c.baseline_state },
  { name: "Level, dB", value: (c) => c.level_db, digits: 1 },
  { name: "Baseline, dB", value: (c) => c.baseline_db, digits: 1 },
  { name: "Scatter, dB", value: (c) => c.scale_db, digits: 2 },
  { name: "Judged on", value: (c) => (c.kind === "reference" ? "" : c.basis) },
];
const UNKNOWN = [
  { name: "Name", value: (u) => u.name },
  { name: "Topic", value: (u) => u.topic },
  { name: "Times", value: (u) => u.count, digits: 0 },
  { name: "Newest value", value: (u) => u.last_value, digits: 2 },
  { name: "Last seen", value: (u) => u.last_seen, cell: (u) => timeElement(u.last_seen, "ago") },
];
const REJECTS = [
  { name: "Received", value: (r) => r.received, cell: (r) => timeElement(r.received, "at") },
  { name: "Reason", value: (r) => r.reason },
  { name: "Topic", value: (r) => r.topic },
  { name: "Detail", value: (r) => r.detail },
  { name: "First bytes", value: (r) => r.head },
];

export function sensorsPage(page) {
  const sensors = h("div", { class: "table-wrap" });
  const count = h("p", { class: "count" });
  const unknown = h("div", { class: "table-wrap" });
  const rejects = h("div", { class: "table-wrap" });
  page.replaceChildren(
    h("section", { class: "panel", "aria-labelledby": "sensors-title" }, h("h1", { id: "sensors-title" }, "Sensors"), count,
      h("p", {}, h("a", { href: "/baselines" }, "Baselines in hand"), ": what each has learned, and what needs a look."), sensors),
    h("section", { class: "panel", "aria-labelledby": "unknown-title" }, h("h2", { id: "unknown-title" }, "Names that are not in the register"), unknown),
    h("section", { class: "panel", "aria-labelledby": "rejects-title" }, h("h2", { id: "rejects-title" }, "Records turned away"), rejects));
  const draw = () => {
    const rows = [...view().groups.values()].flatMap((r) => r.channels.map((c) => ({ ...c, group: r.group })));
    const ill = rows.filter((c) => c.health !== "well").length;
    rows.sort((a, b) => (a.health === "well") - (b.health === "well"));
    count.textContent = ill ? `${ill} of ${rows.length} need a look.` : `All ${rows.length} are well.`;
    sensors.replaceChildren(table(SENSORS, rows, { name: "sensors", caption: "All channels of the register" }));
  };
  draw();
  list(unknown, "/api/v1/unknown-names?limit=200", "names", UNKNOWN, "Those that are yours can be added on the page Register");
  list(rejects, "/api/v1/rejects?limit=50", "rejects", REJECTS, "Newest first");
  return (kind) => {
    if (kind === "all" || kind === "groups") draw();
  };
}

async function list(place, path, key, columns, caption) {
  try {
    const rows = (await ask(path))[key];
    place.replaceChildren(rows.length ? table(columns, rows, { name: key, caption }) : h("p", { class: "none" }, "None."));
  } catch (error) {
    place.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
  }
}
