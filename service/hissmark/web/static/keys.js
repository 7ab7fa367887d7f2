// Hands on the keyboard: move, open, acknowledge, search, help.

import { canRemove, canShelve, confirmAcknowledge, confirmRemove, confirmReturn, confirmSeveral, confirmShelve, confirmUnshelve, mayAct } from "./acts.js";
import { h, pathOf } from "./dom.js";
import { live, sortedAlarms } from "./live.js";
import { needsAcknowledge } from "./said.js";
import { pastKey } from "./past.js";
import { silence } from "./sound.js";

const HELP = [
  ["← → ↑ ↓", "from alarm to alarm, group to group, valve to valve"],
  ["Enter", "open what is marked"],
  ["A", "acknowledge the marked alarm, or the first one"],
  ["S", "shelve the marked alarm, or take it off the shelf"],
  ["O", "take the marked alarm out of service, or return it"],
  ["M", "acknowledge several alarms"],
  ["Q", "silence the sound until the next new alarm"],
  ["/", "find a valve or group"],
  ["N F H J E R", "pages: now, alarm figures, handover, journal, sensors, repairs"],
  [", .", "look back: a tick earlier, a tick later"],
  ["< >", "an hour earlier, an hour later"],
  ["U", "times in your zone or UTC"],
  ["+ − 0", "valve page: zoom in, out, back to the last day"],
  ["Esc", "close what is open; out of the past; else back to Now"],
  ["?", "these keys"],
];

/** `go(path)` changes the page; `zone()` toggles the zone; `extra(key)` may take a key for the page. */
export function installKeys({ go, zone, extra }) {
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    if (event.target.closest("input, select, textarea")) return;
    if (extra(event) || act(event, go, zone)) event.preventDefault();
  });
  document.getElementById("keys-button").addEventListener("click", showHelp);
  document.getElementById("search-button").addEventListener("click", () => search(go));
}

function act(event, go, zone) {
  const pages = { n: "/", f: "/figures", h: "/handover", j: "/journal", e: "/sensors", r: "/repairs" };
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (key in pages) return go(pages[key]), true;
  if (key === "/") return search(go), true;
  if (key === "?") return showHelp(), true;
  if (key === "u") return zone(), true;
  if (pastKey(key)) return true;
  if (key === "q") return silence();
  if ("asom".includes(key)) return mayAct() && deed(key);
  if (key === "Escape" && location.pathname !== "/") return go("/"), true;
  if (key === "Enter" && event.target.dataset?.open) return go(event.target.dataset.open), true;
  return key.startsWith("Arrow") && move(key);
}

/** A, S, O: what fits the marked alarm (A takes the first one if none is marked); M: several. */
function deed(key) {
  const marked = live.alarms.get(document.activeElement?.closest?.("[data-key]")?.dataset.key);
  const open = sortedAlarms(needsAcknowledge, live);
  if (key === "m") return open.length > 0 && (confirmSeveral(), true);
  const alarm = marked ?? (key === "a" ? open[0] : undefined);
  const does = alarm && { a: acknowledging, s: shelving, o: removing }[key](alarm);
  if (!does) return false;
  does(alarm);
  return true;
}

const acknowledging = (alarm) => needsAcknowledge(alarm) && confirmAcknowledge;
const shelving = (alarm) => (alarm.state === "shelved" ? confirmUnshelve : canShelve(alarm) && confirmShelve);
const removing = (alarm) => (alarm.state === "out-of-service" ? confirmReturn : canRemove(alarm) && confirmRemove);

/** To the nearest item in the arrow's direction, as the eye sees it. */
function move(key) {
  const items = [...document.querySelectorAll("[data-item]")];
  const at = document.activeElement;
  if (!items.length) return false;
  if (!items.includes(at)) return items[0].focus(), true;
  const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
  const centre = (node) => { const r = node.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; };
  const [x, y] = centre(at);
  const rated = items.filter((n) => n !== at).map((node) => {
    const [nx, ny] = centre(node);
    const along = (nx - x) * dx + (ny - y) * dy;
    const across = Math.abs((nx - x) * dy) + Math.abs((ny - y) * dx);
    return { node, along, cost: along + 2.5 * across };
  }).filter((r) => r.along > 4).sort((a, b) => a.cost - b.cost);
  if (!rated.length) return false;
  rated[0].node.focus();
  rated[0].node.scrollIntoView({ block: "nearest", inline: "nearest" });
  return true;
}

function showHelp() {
  open(h("dialog", { "aria-labelledby": "help-title" },
    h("h2", { id: "help-title" }, "Keys"),
    h("dl", { class: "keys" }, HELP.map(([keys, text]) => [h("dt", {}, keys.split(" ").map((k) => [h("kbd", {}, k), " "])), h("dd", {}, text)])),
    h("form", { method: "dialog" }, h("button", {}, "Close"))));
}

function open(dialog) {
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

function search(go) {
  const found = h("ul", { class: "found", id: "found", "aria-label": "What fits" });
  const input = h("input", { type: "search", "aria-label": "Valve or group", placeholder: "Tag of a valve, or a group", autocomplete: "off", "aria-controls": "found" });
  const dialog = open(h("dialog", { class: "search", "aria-label": "Find a tag" },
    h("form", { method: "dialog", onsubmit: (e) => { e.preventDefault(); found.querySelector("a")?.click(); } }, input), found));
  const show = () => {
    const asked = input.value.trim().toLowerCase();
    found.replaceChildren(...matches(asked).map(({ name, path, note }) =>
      h("li", {}, h("a", { href: path, onclick: (e) => { e.preventDefault(); dialog.close(); go(path); } }, name, h("span", {}, note)))));
  };
  input.addEventListener("input", show);
  dialog.addEventListener("keydown", (event) => {
    const links = [input, ...found.querySelectorAll("a")];
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    links[Math.max(0, Math.min(links.length - 1, links.indexOf(document.activeElement) + step))].focus();
  });
  show();
  input.focus();
}

function matches(asked) {
  const rows = [];
  for (const reading of live.groups.values()) {
    rows.push({ name: reading.group, path: pathOf.group(reading.group), note: "group" });
    for (const c of reading.channels) if (c.valve) rows.push({ name: c.valve, path: pathOf.valve(c.valve), note: `${c.verdict} · ${reading.group}` });
  }
  return rows.filter((row) => row.name.toLowerCase().includes(asked))
    .sort((a, b) => a.name.toLowerCase().indexOf(asked) - b.name.toLowerCase().indexOf(asked) || a.name.localeCompare(b.name, undefined, { numeric: true }))
    .slice(0, 12);
}
