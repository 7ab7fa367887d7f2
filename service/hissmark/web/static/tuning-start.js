// Where to begin: the valves with the most alarms, what these have in common, and what to try.

import { ask, counted, h, pathOf } from "./dom.js";
import { iso } from "./spans.js";
import { serviceNow, timeElement } from "./time.js";

const DAYS = 30;
const MOST = 6;

/** `take(valve, setting)` puts a valve into the form. */
export function busiest(take) {
  const list = h("div", {}, h("p", { class: "loading" }, "Counting…"));
  fill(list, take);
  return h("section", { class: "panel tuning-start", "aria-labelledby": "busiest-title" }, h("h2", { id: "busiest-title" }, `Most alarms in the last ${DAYS} days`), list);
}

async function fill(list, take) {
  try {
    const { valves } = await ask(`/api/v1/tuning/busiest?from=${iso(serviceNow() - DAYS * 86400e3)}&limit=${MOST}`);
    list.replaceChildren(valves.length ? h("ol", { class: "busiest" }, valves.map((row) => item(row, take))) : nothing());
  } catch (error) {
    list.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
  }
}

const nothing = () => h("div", {},
  h("p", {}, "No valve has had an alarm. So there is nothing to quieten; what remains to be asked is whether leaks are missed."),
  h("p", { class: "hint" }, "Lower limits find smaller leaks and raise more false alarms. Try a lower rise_limit_db over all that is stored, or let settings be suggested for a number of false alarms that you can live with."));

function item(row, take) {
  const moment = (at) => h("a", { href: `${pathOf.valve(row.valve)}?last=24h&at=${at}` }, timeElement(at, "at"));
  return h("li", {},
    h("p", {}, h("strong", {}, h("a", { href: `${pathOf.valve(row.valve)}?last=30d` }, row.valve)), " in ", h("a", { href: pathOf.group(row.group) }, row.group), `: ${counted(row.alarms, "alarm")}. `, row.says.join(" ")),
    h("p", { class: "row" }, h("button", { type: "button", class: "quiet", onclick: () => take(row.valve, row.setting || "rise_limit_db") }, `Try on ${row.valve}`),
      h("span", { class: "hint" }, "Raised ", row.moments.flatMap((at, i) => [i ? ", " : "", moment(at)]))));
}
