// Spans of time in the address: `?last=12h`, or `?from=…&to=…` for a link that goes on showing the same.

import { h } from "./dom.js";
import { seenFrom, serviceNow } from "./time.js";

export const HOUR_MS = 3600e3;
const UNITS = { h: HOUR_MS, d: 24 * HOUR_MS };

export const iso = (ms) => new Date(Math.floor(ms / 1000) * 1000).toISOString().replace(".000", "");
const lengthOf = (text) => Number.parseInt(text, 10) * UNITS[text.at(-1)];

/** The span an address asks for: {last, from, to, fixed}; times in ms since 1970. */
export function spanOf(query, choices, usual) {
  const [from, to] = [Date.parse(query.get("from")), Date.parse(query.get("to"))];
  if (from < to) return { last: "", from, to, fixed: true };
  const last = choices.includes(query.get("last")) ? query.get("last") : usual;
  const now = seenFrom();
  return { last, from: now - lengthOf(last), to: now, fixed: false };
}

/** For the service. A span that runs on has no end: the service's own now is it, also for what happened this second. */
export const asQuery = (span) =>
  new URLSearchParams({ from: iso(span.from), ...(span.fixed || seenFrom() < serviceNow() ? { to: iso(span.to) } : {}) });

/** Links to the usual spans, and one span earlier or later. `extra` holds what the address says besides. */
export function spanLinks(path, span, choices, extra = {}) {
  const link = (values, text, more = {}) =>
    h("a", { class: "button", href: `${path}?${new URLSearchParams({ ...extra, ...values })}`, ...more }, text);
  const moved = (by) => ({ from: iso(span.from + by), to: iso(span.to + by) });
  const length = span.to - span.from;
  const later = span.fixed && span.to + length / 2 < serviceNow();
  return h("div", { class: "spans row", role: "group", "aria-label": "Span of time" },
    choices.map((name) => link({ last: name }, `Last ${name.replace("h", " h").replace("d", " d")}`, { "aria-current": span.last === name ? "true" : null })),
    link(moved(-length), "‹ earlier"), later && link(moved(length), "later ›"));
}
