// Rows of the register: names that arrive and are in no row yet, and the rows there are, to be changed one by one.

import { ask, askAll, h } from "./dom.js";
import { live } from "./live.js";
import { mayChange } from "./register.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

const MOST_SHOWN = 200;
const json = (body) => ({ method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });

/** Names that are not in the register: mark them, say where they sit, look. */
export function strangers({ look }) {
  const list = h("div", { class: "table-wrap" });
  const form = h("div", {});
  const element = h("section", { class: "panel", "aria-labelledby": "strangers-title" },
    h("h2", { id: "strangers-title" }, "Names that are not in the register"), list, form);
  const marked = new Set();
  const columns = [
    { name: "Name", value: (u) => u.name, cell: (u) => (mayChange() ? h("label", {}, h("input", { type: "checkbox", checked: marked.has(u.name), onchange: (e) => mark(u.name, e.target.checked) }), " ", u.name) : u.name) },
    { name: "Topic", value: (u) => u.topic },
    { name: "Times", value: (u) => u.count, digits: 0 },
    { name: "Newest value", value: (u) => u.last_value, digits: 2 },
    { name: "Last seen", value: (u) => u.last_seen, cell: (u) => timeElement(u.last_seen, "ago") },
  ];
  function mark(name, on) {
    if (on) marked.add(name);
    else marked.delete(name);
    form.replaceChildren(marked.size ? fields([...marked], look) : "");
  }
  async function refresh() {
    try {
      const rows = (await ask("/api/v1/unknown-names?limit=200")).names;
      const names = new Set(rows.map((u) => u.name));
      for (const name of marked) if (!names.has(name)) marked.delete(name);
      mark("", false);
      list.replaceChildren(rows.length ? table(columns, rows, { name: "strangers", caption: "Mark those that are yours" }) : h("p", { class: "none" }, "None: every name that arrives is in the register."));
    } catch (error) {
      list.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  return { element, refresh };
}

/** One line of fields for each marked name. */
function fields(names, look) {
  const groups = h("datalist", { id: "group-names" }, live.groupNames.map((g) => h("option", { value: g })));
  const lines = names.map((name) => {
    const input = (label, attributes) => h("label", {}, label, h("input", { ...attributes, "aria-label": `${label} of ${name}` }));
    const valve = input("Valve (empty: reference point)", { size: 14, maxlength: 128 });
    const group = input("Group", { size: 14, list: "group-names", maxlength: 128 });
    const position = input("Position", { type: "number", size: 5 });
    const distance = input("Distance, m", { size: 6, inputmode: "decimal" });
    const joints = input("Joints", { type: "number", min: 0, size: 4 });
    const value = (label) => label.querySelector("input").value.trim();
    return {
      element: h("fieldset", { class: "new-row" }, h("legend", {}, name), valve, group, position, distance, joints),
      cells: () => ({ channel: name, kind: value(valve) ? "valve" : "reference", valve: value(valve), group: value(group), position: value(position), distance_m: value(distance), joints: value(joints) }),
    };
  });
  return h("form", { class: "new-rows", onsubmit: (event) => {
    event.preventDefault();
    look("/api/v1/register/look-rows", json({ rows: lines.map((l) => l.cells()) }), "channels added", names.length === 1 ? names[0] : `${names.length} new channels`);
  } }, groups, lines.map((l) => l.element), h("button", {}, "Look at it"));
}

/** The rows there are; a sensor can be moved, a cell changed. */
export function channels({ look }) {
  const filter = h("input", { type: "search", placeholder: "channel, valve or group", "aria-label": "Find channels" });
  const list = h("div", { class: "table-wrap" });
  const count = h("p", { class: "count" });
  const element = h("section", { class: "panel", "aria-labelledby": "rows-title" },
    h("h2", { id: "rows-title" }, "Channels"), h("div", { class: "filter" }, filter), count, list);
  let rows = [];
  const columns = [
    { name: "Channel", value: (c) => c.channel },
    { name: "On", value: (c) => c.valve ?? "reference point" },
    { name: "Group", value: (c) => c.group },
    { name: "Position", value: (c) => c.position, digits: 0 },
    { name: "Distance, m", value: (c) => c.distance_m, digits: 1 },
    { name: "Joints", value: (c) => c.joints, digits: 0 },
    { name: "Closed when", value: (c) => c.closed_when },
    { name: "Pressures", value: (c) => [c.upstream_pressure, c.downstream_pressure].filter(Boolean).join(", ") },
    { name: "Consequence", value: (c) => c.consequence },
    { name: "Change", value: () => "", cell: (c) => (mayChange() ? h("span", { class: "row" },
      h("button", { type: "button", class: "quiet", onclick: () => moveDialog(c, look), "aria-label": `Move ${c.channel}` }, "Move…"),
      h("button", { type: "button", class: "quiet", onclick: () => cellDialog(c, look), "aria-label": `Change the row of ${c.channel}` }, "Change…")) : "") },
  ];
  function draw() {
    const words = filter.value.trim().toLowerCase();
    const found = rows.filter((c) => [c.channel, c.valve, c.group].some((text) => text?.toLowerCase().includes(words)));
    count.textContent = found.length > MOST_SHOWN ? `${MOST_SHOWN} of ${found.length} are shown.` : `${found.length} of ${rows.length}.`;
    list.replaceChildren(table(columns, found.slice(0, MOST_SHOWN), { name: "rows", caption: "Rows of the register" }));
  }
  filter.addEventListener("input", draw);
  async function refresh() {
    try {
      rows = await askAll("/api/v1/channels?limit=1000", "channels");
      draw();
    } catch (error) {
      list.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  return { element, refresh };
}

function moveDialog(channel, look) {
  const valve = h("input", { required: true, maxlength: 128, autocomplete: "off" });
  simpleDialog(`Move ${channel.channel} to another valve`,
    [h("p", { class: "advice" }, `It sits on ${channel.valve ?? "the pipe"} now. Valve and sensor both keep their history; the background is learned anew, or copied.`), h("label", {}, "Tag of the valve", valve)],
    () => look("/api/v1/register/look-move", json({ channel: channel.channel, valve: valve.value.trim() }), "sensor moved", `${channel.channel} on ${valve.value.trim()}`));
}

const CELLS = ["group", "position", "distance_m", "joints", "closed_when", "upstream_pressure", "downstream_pressure", "source", "service", "size_mm", "valve_type", "consequence", "interval_s"];

function cellDialog(channel, look) {
  const column = h("select", {}, CELLS.map((name) => h("option", {}, name)));
  const text = h("input", { maxlength: 2000, autocomplete: "off" });
  const fill = () => { text.value = channel[column.value] ?? ""; };
  column.addEventListener("change", fill);
  fill();
  simpleDialog(`Change the row of ${channel.channel}`, [h("label", {}, "Column", column), h("label", {}, "Text", text)],
    () => look("/api/v1/register/look-row", json({ channel: channel.channel, cells: { [column.value]: text.value.trim() } }), "row changed", `${column.value} of ${channel.channel}`));
}

function simpleDialog(title, body, send) {
  const form = h("form", { method: "dialog" }, h("h2", { id: "simple-title" }, title), body,
    h("div", { class: "row" }, h("button", { class: "acknowledge" }, "Look at it"),
      h("button", { type: "button", class: "quiet", onclick: () => dialog.close() }, "Cancel")));
  const dialog = h("dialog", { "aria-labelledby": "simple-title", onclose: () => dialog.remove() }, form);
  form.addEventListener("submit", () => send());
  document.body.append(dialog);
  dialog.showModal();
}
