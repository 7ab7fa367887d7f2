// Versions of the register: who changed it, when and why; what changed; going back.

import { ask, h } from "./dom.js";
import { mayChange } from "./register.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

export function versions({ look }) {
  const list = h("div", { class: "table-wrap" });
  const changes = h("div", { "aria-live": "polite" });
  const element = h("section", { class: "panel", "aria-labelledby": "versions-title" }, h("h2", { id: "versions-title" }, "Versions"), list, changes);
  let newest = 0;
  const columns = [
    { name: "Version", value: (v) => v.version, digits: 0 },
    { name: "In force since", value: (v) => v.in_force, cell: (v) => (v.in_force ? timeElement(v.in_force, "at") : "") },
    { name: "How", value: (v) => v.how },
    { name: "By", value: (v) => v.operator },
    { name: "Why", value: (v) => v.comment },
    { name: "Outcome", value: (v) => v.outcome },
    { name: "Do", value: () => "", cell: (v) => h("span", { class: "row" },
      h("button", { type: "button", class: "quiet", onclick: () => show(v.version), "aria-label": `What version ${v.version} changed` }, "What it changed"),
      h("a", { class: "button", href: `/api/v1/register/export?version=${v.version}`, download: `register-${v.version}.csv`, "aria-label": `Version ${v.version} as CSV` }, "CSV"),
      mayChange() && v.version !== newest && v.in_force ? h("button", { type: "button", class: "quiet", onclick: () => back(v.version), "aria-label": `Go back to version ${v.version}` }, "Go back to it…") : "") },
  ];
  const back = (version) => look("/api/v1/register/look-version",
    { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ version }) }, "rolled back", `version ${version}`);
  async function show(version) {
    try {
      const found = await ask(`/api/v1/register/versions/${version}`);
      changes.replaceChildren(h("h3", {}, `Version ${version}: ${found.summary}`), h("ul", {}, found.changes.slice(0, 200).map((c) =>
        h("li", {}, `${c.channel} (${c.subject}) ${c.change}`, c.change === "changed" || c.change === "moved" ? `: ${c.cells.map((x) => `${x.column} ${x.before || "(empty)"} to ${x.after || "(empty)"}`).join(", ")}` : ""))));
    } catch (error) {
      changes.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  async function refresh() {
    try {
      const rows = (await ask("/api/v1/register/versions?limit=50")).versions;
      newest = rows.find((v) => v.outcome === "in force")?.version ?? 0;
      list.replaceChildren(rows.length ? table(columns, rows, { name: "versions", caption: "Newest first" }) : h("p", { class: "none" }, "None yet."));
    } catch (error) {
      list.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  return { element, refresh };
}
