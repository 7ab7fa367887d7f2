// An alarm as a colleague's message, and what one can do about it.

import { signedInAs } from "./account.js";
import { ask, h, pathOf, s } from "./dom.js";
import { alarmKey } from "./live.js";
import { timeElement } from "./time.js";

const STATE_WORDS = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", "rtn-unacknowledged": "gone, not acknowledged",
  shelved: "on the shelf", "suppressed-by-design": "suppressed by design", "out-of-service": "out of service",
};
const PRIORITY_SHAPES = { high: "M12 3L22 21H2z", medium: "M12 2L22 12L12 22L2 12z", low: "M12 4a8 8 0 1 0 .01 0z" };
const seen = new Set();

export const needsAcknowledge = (alarm) => ["unacknowledged", "rtn-unacknowledged"].includes(alarm.state);

/** Priority by shape and word, never by colour alone. */
export function priorityMark(alarm) {
  return s("svg", { class: "priority", viewBox: "0 0 24 24", width: 26, height: 26, "aria-hidden": "true" },
    s("path", { d: PRIORITY_SHAPES[alarm.priority] }));
}

/** A sentence out of its parts: ages run, times stand in the viewer's zone. */
export function sentence(parts) {
  return parts.map((part) =>
    typeof part === "string" ? unbroken(part) : "since" in part ? timeElement(part.since, "age") : timeElement(part.at, "at"));
}

/** Tags such as XV-203 never break at their hyphen. */
function unbroken(text) {
  return text.split(/(\S+-\S+)/).map((piece, i) => (i % 2 ? h("span", { class: "whole" }, piece) : piece));
}

/** The same with its first sentence strong: what one reads from across the room. */
function told(parts) {
  const at = parts.findIndex((part) => typeof part === "string" && /\.(\s|$)/.test(part));
  const end = at < 0 ? 0 : parts[at].search(/\.(\s|$)/) + 1;
  if (at < 0) return [h("strong", {}, sentence(parts))];
  return [h("strong", {}, sentence([...parts.slice(0, at), parts[at].slice(0, end)])), sentence([parts[at].slice(end), ...parts.slice(at + 1)])];
}

export function alarmCard(alarm) {
  const key = alarmKey(alarm);
  const fresh = alarm.state === "unacknowledged" && !seen.has(key);
  const card = h("article", {
    class: `alarm ${alarm.state}${alarm.active ? " active" : ""}${fresh ? " new" : ""}`,
    tabindex: 0, "data-item": "", "data-key": key, "data-open": pathOf.group(alarm.group),
    "aria-label": `${alarm.priority} priority, ${STATE_WORDS[alarm.state]}: ${alarm.sentence}`,
    onfocusin: () => see(card, key), onpointerenter: () => see(card, key),
  },
    priorityMark(alarm),
    h("div", { class: "said" },
      h("p", { class: "sentence" }, told(alarm.parts)),
      h("p", { class: "advice" }, alarm.advice),
      h("p", { class: "state" }, `${alarm.priority} priority · ${STATE_WORDS[alarm.state] ?? alarm.state}`,
        alarm.operator && ` by ${alarm.operator}`, alarm.comment && `: “${alarm.comment}”`, " · ",
        h("a", { href: pathOf.group(alarm.group) }, alarm.group))),
    h("div", { class: "does" },
      needsAcknowledge(alarm) && h("button", { type: "button", class: "acknowledge", "aria-keyshortcuts": "A", onclick: () => confirmAcknowledge(alarm) }, "Acknowledge"),
      alarm.alarm !== "sensor-fault" && h("a", { class: "button", href: pathOf.valve(alarm.valve) }, "History")));
  return card;
}

function see(card, key) {
  seen.add(key);
  card.classList.remove("new");
}

/** Ask who and why, then acknowledge; the answer comes only once it is on record. */
export function confirmAcknowledge(alarm) {
  const name = h("input", { name: "operator", required: true, maxlength: 100, autocomplete: "name", readonly: Boolean(signedInAs()), value: signedInAs() || (localStorage.getItem("hissmark.operator") ?? "") });
  const comment = h("input", { name: "comment", maxlength: 1000, autocomplete: "off", placeholder: "optional" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const confirm = h("button", { class: "acknowledge", value: "yes" }, "Acknowledge");
  const dialog = h("dialog", { "aria-labelledby": "ask-title", onclose: () => dialog.remove() },
    h("form", { method: "dialog", onsubmit: (event) => send(event, alarm, { name, comment, trouble, confirm, dialog }) },
      h("h2", { id: "ask-title" }, `Acknowledge ${alarm.valve}, ${alarm.alarm.replace("-", " ")}?`),
      h("p", {}, sentence(alarm.parts)),
      h("p", { class: "advice" }, "Acknowledging says that you have seen it. It changes nothing about the valve."),
      h("label", {}, "Your name", name), h("label", {}, "Comment", comment), trouble,
      h("div", { class: "row" }, confirm,
        h("button", { type: "button", class: "quiet", onclick: () => dialog.close() }, "Cancel"))));
  document.body.append(dialog);
  dialog.showModal();
  (name.value ? confirm : name).focus();
}

async function send(event, alarm, { name, comment, trouble, confirm, dialog }) {
  event.preventDefault();
  const operator = name.value.trim();
  if (!operator) {
    trouble.textContent = "The record needs your name.";
    return;
  }
  if (!signedInAs()) localStorage.setItem("hissmark.operator", operator);
  confirm.disabled = true;
  confirm.textContent = "Recording…";
  const path = `/api/v1/alarms/${encodeURIComponent(alarm.valve)}/${encodeURIComponent(alarm.alarm)}/acknowledge`;
  try {
    await ask(path, {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ operator, comment: comment.value }),
    });
    dialog.close();
  } catch (error) {
    trouble.textContent = `Not acknowledged: ${error.message}`;
    confirm.disabled = false;
    confirm.textContent = "Try again";
  }
}

/** Newest changes, as sentences. */
export function changeList(entries) {
  if (!entries.length) return h("p", { class: "none" }, "Nothing has changed since the record began.");
  return h("ol", { class: "changes" }, entries.map((entry) =>
    h("li", { class: entry.event, "data-seq": entry.seq },
      timeElement(entry.at, "at"),
      h("a", { href: pathOf.group(entry.group) }, entry.sentence))));
}
