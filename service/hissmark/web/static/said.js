// Alarms in words: sentences out of their parts, states and priorities.

import { h, pathOf, s } from "./dom.js";
import { timeElement } from "./time.js";

export const STATE_WORDS = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", "rtn-unacknowledged": "gone, not acknowledged",
  shelved: "on the shelf", "suppressed-by-design": "suppressed by design", "out-of-service": "out of service",
};
const PRIORITY_SHAPES = { high: "M12 3L22 21H2z", medium: "M12 2L22 12L12 22L2 12z", low: "M12 4a8 8 0 1 0 .01 0z" };

export const needsAcknowledge = (alarm) => ["unacknowledged", "rtn-unacknowledged"].includes(alarm.state);
/** Taken out of the operator's view: by an operator, or by a rule of the plant. */
export const isAside = (alarm) => ["shelved", "suppressed-by-design", "out-of-service"].includes(alarm.state);
export const alarmName = (kind) => kind.replace("-", " ");

/** Priority by shape and word, never by colour alone. */
export function priorityMark(priority) {
  return s("svg", { class: "priority", viewBox: "0 0 24 24", width: 26, height: 26, "aria-hidden": "true" },
    s("path", { d: PRIORITY_SHAPES[priority] }));
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
export function told(parts) {
  const at = parts.findIndex((part) => typeof part === "string" && /\.(\s|$)/.test(part));
  const end = at < 0 ? 0 : parts[at].search(/\.(\s|$)/) + 1;
  if (at < 0) return [h("strong", {}, sentence(parts))];
  return [h("strong", {}, sentence([...parts.slice(0, at), parts[at].slice(0, end)])), sentence([parts[at].slice(end), ...parts.slice(at + 1)])];
}

/** Entries of the journal as sentences, each with its time. */
export function changeList(entries, none = "Nothing has changed since the record began.") {
  if (!entries.length) return h("p", { class: "none" }, none);
  return h("ol", { class: "changes" }, entries.map((entry) =>
    h("li", { class: entry.event, "data-seq": entry.seq },
      timeElement(entry.at, "at"),
      h("a", { href: pathOf.group(entry.group) }, entry.sentence))));
}
