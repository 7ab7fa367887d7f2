// The page "Now": active alarms, newest changes, the plant as small skylines.

import { confirmSeveral } from "./acts.js";
import { alarmCard } from "./alarms.js";
import { h } from "./dom.js";
import { isPast, live, sortedAlarms, view } from "./live.js";
import { Plant } from "./plant.js";
import { changeList, isAside, needsAcknowledge, STATE_WORDS } from "./said.js";

export function nowPage(page) {
  const alarms = h("div", { class: "alarm-list" });
  const aside = h("details", { class: "put-aside" });
  const count = h("p", { class: "count", "aria-live": "polite" });
  const several = h("button", { type: "button", class: "act several-button", "aria-keyshortcuts": "M", onclick: confirmSeveral }, "Acknowledge several");
  const changes = h("div", {});
  const plant = new Plant();
  page.replaceChildren(
    h("div", { class: "now" },
      h("section", { class: "alarms panel", "aria-labelledby": "alarms-title" },
        h("div", { class: "head" }, h("h1", { id: "alarms-title" }, "Alarms"), count, several), alarms, aside),
      h("section", { class: "changes-panel panel", "aria-labelledby": "changes-title" },
        h("h2", { id: "changes-title" }, "Newest changes"), changes,
        h("p", {}, h("a", { href: "/journal" }, "The whole journal"))),
      h("section", { class: "plant-panel panel", "aria-labelledby": "plant-title" },
        h("h2", { id: "plant-title" }, "The plant"), plant.summary, plant.loud, plant.calm)));

  const drawAlarms = () => {
    keepFocus(alarms, () => alarms.replaceChildren(...sortedAlarms((a) => !isAside(a)).map(alarmCard)));
    keepFocus(aside, () => drawAside(aside));
    count.textContent = alarmCount();
    several.hidden = isPast() || sortedAlarms(needsAcknowledge).length < 2;
  };
  const drawChanges = () => changes.replaceChildren(changeList(view().journal.slice(0, 12)));
  drawAlarms();
  drawChanges();
  plant.draw();
  return (kind, detail) => {
    if (kind === "all") { drawAlarms(); drawChanges(); plant.draw(); }
    if (kind === "alarms") { drawAlarms(); plant.draw(groupsOf(detail)); }
    if (kind === "journal") drawChanges();
    if (kind === "groups") plant.draw(detail);
  };
}

/** Groups whose alarms have changed; of an alarm that is gone only its valve is known. */
function groupsOf({ changed, gone }) {
  const named = new Set(changed.map((alarm) => alarm.group));
  const valves = new Set(gone.map(([valve]) => valve));
  if (valves.size) for (const [name, reading] of live.groups) if (reading.channels.some((c) => valves.has(c.valve))) named.add(name);
  return named;
}

/** Redraw, but leave the keyboard where it was. */
export function keepFocus(container, draw) {
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
