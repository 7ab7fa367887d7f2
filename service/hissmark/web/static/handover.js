// The page "Handover": what the next shift has to know, and the notes that go with it. Prints as one sheet.

import { signedInAs } from "./account.js";
import { ask, download, h, pathOf } from "./dom.js";
import { findValve, isBlind, live } from "./live.js";
import { changeList } from "./said.js";
import { asQuery, spanLinks, spanOf } from "./spans.js";
import { csv } from "./table.js";
import { exact, formatAs, inUtc, timeElement, zoneName } from "./time.js";

const SPANS = ["8h", "12h", "24h"];
const PARTS = [
  ["stand", "Stands at the end", "Nothing stands."],
  ["came", "Came", "No alarm came."],
  ["went", "Went", "None went."],
  ["put_aside", "Put aside: shelved, out of service, suppressed", "Nothing was put aside."],
  ["came_back", "Came back from there", "Nothing came back."],
  ["acknowledged", "Acknowledged", "Nothing was acknowledged."],
  ["stood", "Stood when it began", "Nothing stood."],
];
const COLUMNS = ["part", "at", "valve", "group", "alarm", "event", "state", "priority", "operator", "comment", "sentence"]
  .map((name) => ({ name, value: (row) => row[name] }));

export function handoverPage(page, _name, query) {
  let span = spanOf(query, SPANS, "12h");
  let shift = null;
  let asked = 0;
  const title = h("p", { class: "count" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const notes = h("div", { class: "notes" }, h("p", { class: "loading" }, "Asking the service…"));
  const parts = h("div", { class: "parts" });
  const copied = h("span", { role: "status", class: "count" });
  const load = async () => {
    const turn = ++asked;
    span = spanOf(query, SPANS, "12h");
    try {
      const found = await ask(`/api/v1/handover?${asQuery(span)}`);
      if (turn !== asked) return;
      shift = found;
      trouble.textContent = "";
      title.replaceChildren(...heading(span));
      notes.replaceChildren(noteList(found.notes));
      parts.replaceChildren(...PARTS.map(([key, name, none]) => section(key, name, none, found[key])));
    } catch (error) {
      if (turn === asked) trouble.textContent = error.message;
    }
  };
  const copy = async () => {
    try {
      await navigator.clipboard.writeText(shift.text);
      copied.textContent = "Copied.";
    } catch {
      download("handover.txt", shift.text, "text/plain"); // no clipboard outside https and localhost
      copied.textContent = "Saved as a file: this browser gives no clipboard here.";
    }
  };
  page.replaceChildren(h("div", { class: "handover" },
    h("section", { class: "panel", "aria-labelledby": "handover-title" },
      h("div", { class: "head" }, h("h1", { id: "handover-title" }, `Handover, ${live.site}`), spanLinks("/handover", span, SPANS)), title, trouble,
      h("div", { class: "row tools" },
        h("button", { type: "button", onclick: () => window.print() }, "Print"),
        h("button", { type: "button", onclick: () => shift && copy() }, "Copy as text"),
        h("button", { type: "button", class: "quiet", onclick: () => shift && download("handover.csv", csv(COLUMNS, allRows(shift)), "text/csv") }, "Download as CSV"), copied)),
    h("section", { class: "panel notes-panel", "aria-labelledby": "notes-title" }, h("h2", { id: "notes-title" }, "Notes"), notes, noteForm(load)),
    parts));
  load();
  let waiting = 0;
  return (kind) => {
    if (kind === "zone") load();
    if ((kind !== "journal" && kind !== "all") || span.fixed || isBlind()) return;
    clearTimeout(waiting);
    waiting = setTimeout(load, 300);
  };
}

function heading(span) {
  return [`${formatAs("full", span.from)} to ${formatAs("full", span.to)}, ${inUtc() ? "UTC" : zoneName()}`,
    span.fixed ? "" : " (runs on; “‹ earlier” gives a shift that stays)"];
}

function section(key, name, none, part) {
  const left = part.count - part.entries.length;
  return h("section", { class: `panel part ${key}`, "aria-labelledby": `${key}-title` },
    h("h2", { id: `${key}-title` }, name, " ", h("span", { class: "count" }, part.count)),
    changeList([...part.entries].reverse(), none),
    left > 0 && h("p", { class: "none" }, `And ${left} older ones, see the `, h("a", { href: "/journal" }, "journal"), "."));
}

const allRows = (shift) => PARTS.flatMap(([key]) => shift[key].entries.map((entry) => ({ part: key, ...entry })));

function noteList(rows) {
  if (!rows.length) return h("p", { class: "none" }, "No notes yet.");
  return h("ol", { class: "note-list" }, rows.map((note) => h("li", { "data-id": note.id },
    h("p", { class: "by" }, timeElement(note.at, "at"), ` ${note.author}`,
      note.valve && [" about ", findValve(note.valve) ? h("a", { href: pathOf.valve(note.valve) }, note.valve) : note.valve]),
    h("p", { class: "note", title: exact(Date.parse(note.at)) }, note.text))));
}

function noteForm(written) {
  const name = h("input", { name: "operator", maxlength: 100, autocomplete: "name", value: localStorage.getItem("hissmark.operator") ?? "" });
  const sign = () => {
    if (!signedInAs()) return; // known a moment after the page is drawn
    name.value = signedInAs();
    name.readOnly = true;
  };
  const valve = h("input", { name: "valve", maxlength: 200, list: "tags", autocomplete: "off", placeholder: "the shift as a whole" });
  const text = h("textarea", { name: "text", maxlength: 4000, rows: 3 });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const button = h("button", { class: "acknowledge" }, "Leave this note");
  const send = async (event) => {
    event.preventDefault();
    sign();
    const note = { operator: name.value.trim(), text: text.value.trim(), valve: valve.value.trim() || null };
    const unknown = note.valve && !tags().includes(note.valve);
    trouble.textContent = unknown ? `There is no valve “${note.valve}”.` : !note.text ? "There is nothing in it yet." : !note.operator ? "The record needs your name." : "";
    if (trouble.textContent) return;
    if (!signedInAs()) localStorage.setItem("hissmark.operator", note.operator);
    button.disabled = true;
    try {
      await ask("/api/v1/handover/notes", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(note) });
      text.value = valve.value = "";
      await written();
    } catch (error) {
      trouble.textContent = `Not written: ${error.message}`;
    }
    button.disabled = false;
  };
  return h("form", { class: "note-form act", onsubmit: send, onfocusin: sign },
    h("label", { class: "note-text" }, "New note (cannot be changed afterwards; write another to correct it)", text),
    h("label", {}, "About", valve), h("label", {}, "Your name", name), button, trouble,
    h("datalist", { id: "tags" }, tags().map((tag) => h("option", { value: tag }))));
}

const tags = () => [...live.groups.values()].flatMap((reading) => reading.channels).map((c) => c.valve ?? c.channel);
