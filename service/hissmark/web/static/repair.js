// One repair: what was done, what the check says, the skyline before and after on the same scale. Prints.

import { signedInAs } from "./account.js";
import { mayAct } from "./acts.js";
import { ask, decibels, h, pathOf } from "./dom.js";
import { isBlind } from "./live.js";
import { post } from "./record.js";
import { money, stateOf, valveLink } from "./recorded.js";
import { skyline } from "./skyline.js";
import { table } from "./table.js";
import { exact, timeElement } from "./time.js";

const LOOK_MS = 10e3;

export function repairPage(page, name) {
  const place = h("div", { class: "repair" }, h("section", { class: "panel" }, h("p", { class: "loading" }, "Asking the service…")));
  let shown = "";
  const load = async () => {
    try {
      const row = await ask(`/api/v1/repairs/${encodeURIComponent(name)}`);
      const text = JSON.stringify(row);
      if (text === shown) return;
      shown = text;
      place.replaceChildren(...drawn(row, load, place.clientWidth));
    } catch (error) {
      place.replaceChildren(h("section", { class: "panel" }, h("h1", {}, "Repair"), h("p", { class: "trouble", role: "alert" }, error.message), h("a", { href: "/repairs" }, "All repairs")));
    }
  };
  page.replaceChildren(place);
  load();
  const timer = setInterval(() => !isBlind() && load(), LOOK_MS);
  const update = (kind) => { if (kind === "zone" || kind === "theme") { shown = ""; load(); } };
  update.leave = () => clearInterval(timer);
  return update;
}

function drawn(row, load, width) {
  return [
    h("section", { class: "panel", "aria-labelledby": "repair-title" },
      h("div", { class: "head" }, h("h1", { id: "repair-title" }, `Repair ${row.id}, `, valveLink(row.valve)), tools(row)),
      h("p", { class: "verdict" }, row.check ? row.check.sentence : `${stateOf(row)}.`), bar(row.check), facts(row), correction(row, load)),
    ...(row.details ? pictures(row, width) : [h("section", { class: "panel" }, h("p", { class: "none" }, "Levels before and after are shown once the check has ended."))])];
}

function tools(row) {
  const pdf = (paper) => h("a", { class: "button", href: `/api/v1/repairs/${row.id}/certificate?paper=${paper}`, target: "_blank" }, `Certificate (PDF, ${paper})`);
  return h("div", { class: "row tools" }, row.check?.outcome && [pdf("A4"), pdf("Letter")],
    h("button", { type: "button", onclick: () => window.print() }, "Print"), h("a", { class: "button", href: "/repairs" }, "All repairs"));
}

/** How much of the hold time has passed. */
function bar(check) {
  if (!check || check.outcome) return null;
  return h("progress", { class: "hold", max: check.hold_s, value: check.held_s, "aria-label": check.state });
}

function facts(row) {
  const details = row.details ?? {};
  const bars = ["before", "after"].map((name) => details[name]?.difference_bar);
  const pressure = (value) => (value === null || value === undefined ? "not measured" : `${value.toFixed(1)} bar`);
  const rows = [
    ["Work", `${row.work_text}${row.note ? `. ${row.note}` : ""}`], ["Finished", h("time", { datetime: row.at }, exact(Date.parse(row.at)))], ["By", row.who],
    row.cost && ["Cost", money(row.cost)], row.recorded_by !== row.who && ["Put on record by", row.recorded_by],
    details.group && ["Group", h("a", { href: pathOf.group(details.group) }, details.group)],
    details.group && ["Pressure difference", bars.every((b) => b === null || b === undefined) ? "not measured: judged on sound alone" : `${pressure(bars[0])} before, ${pressure(bars[1])} after`],
    details.held_from && ["Held", [h("time", { datetime: details.held_from }, exact(Date.parse(details.held_from))), " to ", timeElement(details.held_to, "at")]],
    row.supersedes && ["Corrects", h("a", { href: `/repairs/${row.supersedes}` }, `repair ${row.supersedes}`)],
    row.superseded_by && ["Corrected by", h("a", { href: `/repairs/${row.superseded_by}` }, `repair ${row.superseded_by}`)]];
  return h("dl", {}, rows.filter(Boolean).map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]));
}

/** Take it back: it stays on record and counts for nothing. */
function correction(row, load) {
  if (!row.stands || !mayAct()) return null;
  const who = h("input", { name: "operator", maxlength: 100, value: signedInAs() || (localStorage.getItem("hissmark.operator") ?? ""), readonly: Boolean(signedInAs()) });
  const note = h("input", { name: "note", maxlength: 1000, autocomplete: "off" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const send = async (event) => {
    event.preventDefault();
    trouble.textContent = !who.value.trim() ? "The record needs your name." : !note.value.trim() ? "Say why." : "";
    if (trouble.textContent) return;
    try {
      await post(`/api/v1/repairs/${row.id}/withdraw`, { operator: who.value.trim(), note: note.value.trim() });
      await load();
    } catch (error) {
      trouble.textContent = error.message;
    }
  };
  return h("details", { class: "act correction" }, h("summary", {}, "Recorded by mistake?"),
    h("form", { onsubmit: send, class: "record-form", novalidate: true }, h("p", { class: "wide" }, "Take it back: it stays on record and counts for nothing. Then put the right one on record."),
      h("label", {}, "Your name", who), h("label", {}, "Why", note), h("div", { class: "wide" }, h("button", {}, "Take it back")), trouble));
}

const told = (levels, after, range) => ({
  channels: levels.channels.map((c) => ({ ...c, scale_db: null, open: c.reason === "open", health: "well", reason_sentence: "", difference_bar: levels.difference_bar })),
  explanation: { kind: after ? "nothing" : "one passing", source: levels.channels.find((c) => c.verdict === "passing")?.valve ?? null, margin_db: null,
    sentence: after ? "After the repair" : "Before the repair" },
  range,
});

function pictures(row, width) {
  const { before, after } = row.details;
  const range = commonRange([before, after]);
  const beside = width >= 1400 && Math.max(...[before, after].map((p) => p?.channels.length ?? 0)) <= 8;
  const wide = (beside ? width / 2 : width || 1200) - 46;
  const picture = (levels, name, late) => h("section", { class: "panel skyline-panel", "aria-labelledby": `${late ? "after" : "before"}-title` },
    h("h2", { id: `${late ? "after" : "before"}-title` }, name, levels ? [": ", timeElement(levels.from, "at"), " to ", timeElement(levels.to, "at")] : ""),
    levels ? h("div", { class: "picture", tabindex: 0, role: "region", "aria-label": `Levels ${late ? "after" : "before"} the repair` }, skyline(told(levels, late, range), wide, 400)) : h("p", { class: "none" }, "Nothing was heard."));
  return [h("div", { class: beside ? "beside" : null }, picture(before, "Before", false), picture(after, "After", true)),
    h("section", { class: "panel", "aria-labelledby": "levels-title" }, h("h2", { id: "levels-title" }, "The same as numbers"), h("div", { class: "table-wrap" }, numbers(before, after)))];
}

function commonRange(pictures) {
  const values = pictures.flatMap((p) => p?.channels ?? []).flatMap((c) => [c.level_db, c.l10_db, c.baseline_db]).filter((v) => v !== null);
  const low = Math.floor((Math.min(...values) - 4) / 10) * 10;
  return values.length ? [low, Math.max(Math.ceil((Math.max(...values) + 3) / 5) * 5, low + 35)] : [0, 40];
}

function numbers(before, after) {
  const then = new Map((before?.channels ?? []).map((c) => [c.channel, c]));
  const rows = (after ?? before)?.channels.map((c) => ({ name: c.valve ?? `${c.channel} (reference)`, then: then.get(c.channel) ?? {}, now: after ? c : {} })) ?? [];
  const level = (name, when, key) => ({ name, value: (r) => r[when][key] ?? null, cell: (r) => decibels(r[when][key] ?? null), digits: 1 });
  return table([{ name: "Sensor on", value: (r) => r.name }, level("Level before", "then", "level_db"), level("Rise before", "then", "rise_db"),
    level("Level after", "now", "level_db"), level("Background after", "now", "baseline_db"), level("Rise after", "now", "rise_db"),
    { name: "Verdict after", value: (r) => r.now.verdict ?? "" }], rows, { name: "levels", caption: "Medians over the times above" });
}
