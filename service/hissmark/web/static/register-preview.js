// A register looked at: every problem, every change and what follows from it; then put in force, or put aside.

import { askFirst, post } from "./acts.js";
import { h } from "./dom.js";
import { mayChange } from "./register.js";
import { table } from "./table.js";

const PROBLEMS = [
  { name: "Row", value: (p) => p.line, cell: (p) => (p.line === null ? "" : String(p.line)) },
  { name: "Where", value: where, cell: where },
  { name: "How bad", value: (p) => p.severity, cell: (p) => (p.severity === "error" ? h("strong", {}, "▲ error") : "△ warning") },
  { name: "What is wrong", value: (p) => p.message },
  { name: "What to do", value: (p) => p.fix },
];
const CHANGES = [
  { name: "Channel", value: (c) => c.channel },
  { name: "Change", value: (c) => c.change },
  { name: "Valve or point", value: (c) => c.subject },
  { name: "Group", value: (c) => c.group },
  { name: "Cells", value: (c) => c.cells.map((x) => `${x.column}: ${x.before || "(empty)"} to ${x.after || "(empty)"}`).join("; "), cell: cells },
  { name: "What follows", value: (c) => c.means },
];

/** The column of the table; what lies outside the table is named with what it is of. */
function where(problem) {
  return problem.line === null && problem.file !== "register.csv" ? [problem.file, problem.field].filter(Boolean).join(": ") : problem.field || problem.file;
}

function cells(change) {
  if (change.change === "added" || change.change === "removed") return "";
  return h("ul", { class: "cells" }, change.cells.map((x) =>
    h("li", {}, `${x.column}: `, h("del", {}, x.before || "(empty)"), " ", h("ins", {}, x.after || "(empty)"))));
}

/** Fill `place`; `done` is called once something has come into force. */
export function preview(place, found, how, what, done) {
  const errors = found.problems.filter((p) => p.severity === "error").length;
  const aside = () => { place.hidden = true; place.replaceChildren(); };
  const said = errors
    ? `${errors === 1 ? "One error keeps" : `${errors} errors keep`} it from coming into force. Put ${errors === 1 ? "it" : "them"} right in the table, and look again.`
    : `It would change: ${found.summary}.`;
  place.replaceChildren(
    h("h2", { id: "looked-title" }, `Looked at: ${what}`),
    h("p", { class: errors ? "trouble" : "", role: "status" }, said),
    found.problems.length ? h("div", { class: "table-wrap" }, table(PROBLEMS, found.problems, { name: "problems", caption: "Problems" })) : "",
    found.changes.length ? h("div", { class: "table-wrap" }, table(CHANGES, found.changes, { name: "changes", caption: "Changes against the register in force" })) : "",
    h("div", { class: "row" },
      found.sound && found.changes.length && mayChange()
        ? h("button", { type: "button", class: "acknowledge", onclick: () => confirm(found, how, what, () => { aside(); done(); }) }, "Put in force…") : "",
      h("button", { type: "button", class: "quiet", onclick: aside }, "Put aside")));
}

function confirm(found, how, what, done) {
  askFirst({
    title: "Put this register in force?", told: h("p", {}, `${what}: ${found.summary}.`), verb: "Put in force", reason: true,
    advice: "All of it at once, between two ticks; the service goes on. The version before stays on record, and you can go back to it.",
    send: async (who) => {
      const version = await post("/api/v1/register/put-in-force", { text: found.text, base: found.base, how, ...who });
      if (version.outcome !== "in force") throw new Error(`Not in force yet: ${version.outcome}.`);
      done();
    },
  });
}
