// An alarm as a colleague's message, with what one can do about it.

import { canRemove, canShelve, confirmAcknowledge, confirmRemove, confirmReturn, confirmShelve, confirmUnshelve } from "./acts.js";
import { h, pathOf } from "./dom.js";
import { alarmKey, isPast } from "./live.js";
import { isAside, needsAcknowledge, priorityMark, STATE_WORDS, told } from "./said.js";

const seen = new Set();

export function alarmCard(alarm) {
  const key = alarmKey(alarm);
  const fresh = alarm.state === "unacknowledged" && !seen.has(key) && !isPast();
  const card = h("article", {
    class: `alarm ${alarm.state}${alarm.active && !isAside(alarm) ? " active" : ""}${isAside(alarm) ? " aside" : ""}${fresh ? " new" : ""}`,
    tabindex: 0, "data-item": "", "data-key": key, "data-open": pathOf.group(alarm.group),
    "aria-label": `${alarm.priority} priority, ${STATE_WORDS[alarm.state]}: ${alarm.sentence}`,
    onfocusin: () => see(card, key), onpointerenter: () => see(card, key),
  },
    priorityMark(alarm.priority),
    h("div", { class: "said" },
      h("p", { class: "sentence" }, told(alarm.parts)),
      !isAside(alarm) && h("p", { class: "advice" }, alarm.advice),
      h("p", { class: "state" }, `${alarm.priority} priority · ${STATE_WORDS[alarm.state] ?? alarm.state}`,
        alarm.operator && ` by ${alarm.operator}`, alarm.comment && `: “${alarm.comment}”`, " · ",
        h("a", { href: pathOf.group(alarm.group) }, alarm.group),
        alarm.alarm !== "sensor-fault" && [" · ", h("a", { href: pathOf.valve(alarm.valve) }, "History"), " · ",
          h("a", { href: `${pathOf.valve(alarm.valve)}?open=settings&at=${alarm.raised_at}`, title: "Settings in force when it was raised" }, "Settings then")])),
    h("div", { class: "does" }, isPast() ? "" : deeds(alarm)));
  return card;
}

function deeds(alarm) {
  const button = (does, text, key, more = "") =>
    h("button", { type: "button", class: `act ${more}`, "aria-keyshortcuts": key, onclick: () => does(alarm) }, text);
  return [
    needsAcknowledge(alarm) && button(confirmAcknowledge, "Acknowledge", "A", "acknowledge"),
    canShelve(alarm) && button(confirmShelve, "Shelve", "S", "shelve"),
    alarm.state === "shelved" && button(confirmUnshelve, "Off the shelf", "S", "unshelve"),
    alarm.state === "out-of-service" && button(confirmReturn, "Return to service", "O", "return"),
    canRemove(alarm) && button(confirmRemove, "Out of service", "O", "quiet remove"),
  ];
}

function see(card, key) {
  seen.add(key);
  card.classList.remove("new");
}
