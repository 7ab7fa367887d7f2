// Baselines in hand: what needs a look, what every channel has learned, and what people may do about it.

import { askFirst, post } from "./acts.js";
import { ask, askAll, counted, h, number, pathOf } from "./dom.js";
import { mayChange } from "./register.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

const of = (b) => (b.subject === b.channel ? "reference point" : h("a", { href: pathOf.valve(b.subject) }, b.subject));
const signed = (value) => (value === null ? "" : `${value >= 0.05 ? "+" : ""}${number(value, 1)}`);
const STEPS = {
  approve: ["Approve", "The present value is right: how far it may drift counts from here."],
  hold: ["Hold", "It follows nothing until somebody releases it."],
  release: ["Release", "It follows slow change again."],
  relearn: ["Learn anew", "It is forgotten, and learned anew from now on. The channel is not testable until then."],
};

export function baselinesPage(page) {
  const needs = h("div", {});
  const filter = h("input", { type: "search", placeholder: "channel, valve or group", "aria-label": "Find baselines" });
  const list = h("div", { class: "table-wrap" });
  const record = h("section", { class: "panel", "aria-labelledby": "record-title", tabindex: "-1", hidden: true });
  page.replaceChildren(
    h("section", { class: "panel", "aria-labelledby": "needs-title" }, h("h1", { id: "needs-title" }, "Baselines that need a look"), needs),
    record,
    h("section", { class: "panel", "aria-labelledby": "all-title" }, h("h2", { id: "all-title" }, "All baselines"), h("div", { class: "filter" }, filter), list));
  let rows = [];
  const columns = [
    { name: "Channel", value: (b) => b.channel },
    { name: "On", value: (b) => b.subject, cell: of },
    { name: "Group", value: (b) => b.group },
    { name: "Condition", value: (b) => b.condition_name, cell: (b) => `${b.condition_name}${b.present ? " (now)" : ""}` },
    { name: "State", value: (b) => b.state },
    { name: "Baseline, dB", value: (b) => b.value_db, digits: 1 },
    { name: "Scatter, dB", value: (b) => b.scale_db, digits: 2 },
    { name: "Moved, dB", value: (b) => b.moved_db, digits: 1, cell: (b) => signed(b.moved_db) },
    { name: "Windows", value: (b) => b.floors, digits: 0 },
    { name: "Since", value: (b) => b.since, cell: (b) => timeElement(b.since, "at") },
    { name: "Last", value: (b) => b.last, cell: (b) => timeElement(b.last, "ago") },
    { name: "Record", value: () => "", cell: (b) => h("button", { type: "button", class: "quiet", "aria-label": `Open ${b.channel}, ${b.condition_name}`, onclick: () => show(b) }, "Open") },
  ];
  function draw() {
    const words = filter.value.trim().toLowerCase();
    const found = rows.filter((b) => [b.channel, b.subject, b.group, b.state].some((text) => text.toLowerCase().includes(words)));
    list.replaceChildren(table(columns, found.slice(0, 300), { name: "baselines", caption: counted(found.length, "baseline") }));
  }
  filter.addEventListener("input", draw);
  async function refresh() {
    try {
      const ranked = (await ask("/api/v1/baselines/needs")).needs;
      needs.replaceChildren(ranked.length ? h("ol", { class: "needs" }, ranked.slice(0, 50).map((need) => needed(need, refresh, show))) : h("p", { class: "none" }, "None does."));
      rows = await askAll("/api/v1/baselines?limit=1000", "baselines");
      draw();
    } catch (error) {
      needs.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  async function show(b) {
    const found = await ask(`/api/v1/baselines/${encodeURIComponent(b.channel)}`).catch((error) => ({ changes: [], trouble: error.message }));
    record.hidden = false;
    const now = found.baselines?.find((other) => other.condition === b.condition) ?? b;
    const again = () => { refresh(); show(now); };
    record.replaceChildren(h("h2", { id: "record-title" }, `Baseline of ${b.channel}`), about(now), deeds(now, again),
      h("p", {}, "How it moved is on the page of ", b.subject === b.channel ? "its group" : h("a", { href: `${pathOf.valve(b.subject)}?last=30d` }, b.subject), ", as the band under the level."),
      found.trouble ? h("p", { class: "trouble" }, found.trouble) : found.changes.length ? h("ul", {}, found.changes.map(change)) : h("p", { class: "none" }, "Nobody has changed it by hand."));
    record.focus();
  }
  refresh();
  return () => {};
}

function needed(need, refresh, show) {
  return h("li", {}, h("p", {}, h("strong", {}, `${need.kind}: `), need.says), h("p", { class: "advice" }, need.do),
    deeds(need.baseline, refresh, h("button", { type: "button", class: "quiet", "aria-label": `Record of ${need.baseline.channel}`, onclick: () => show(need.baseline) }, "Record")));
}

function change(c) {
  const value = c.value_db === null ? "" : ` to ${number(c.value_db, 1, "dB")}`;
  const basis = c.basis.copied_from ? `, copied from ${c.basis.copied_from}` : c.basis.from ? `, from ${c.basis.from} to ${c.basis.to}` : "";
  return h("li", {}, timeElement(c.requested, "at"), ` ${c.step}${value}${basis}, by ${c.operator}: “${c.comment}”`, c.applied ? "" : h("strong", {}, ` (${c.outcome})`));
}

/** What may be done to a baseline as it is. */
function deeds(b, refresh, more) {
  const step = (name) => h("button", { type: "button", class: "quiet", "aria-label": `${STEPS[name][0]} ${b.channel}, ${b.condition_name}`, onclick: () => confirmStep(b, name, refresh) }, `${STEPS[name][0]}…`);
  const buttons = !mayChange() ? [] : [
    b.state === "tracking" || b.state === "held" ? step("approve") : "",
    b.state === "held" ? step("release") : b.state === "learning" ? "" : step("hold"),
    step("relearn"),
    h("button", { type: "button", class: "quiet", "aria-label": `Take ${b.channel} from a period`, onclick: () => confirmPeriod(b, refresh) }, "From a period…"),
    h("button", { type: "button", class: "quiet", "aria-label": `Copy to ${b.channel}`, onclick: () => confirmCopy(b, refresh) }, "Copy…"),
  ];
  return h("span", { class: "row" }, buttons, more);
}

const about = (b) => h("p", {}, `${b.channel} on ${b.subject}, ${b.condition_name}: ${b.value_db === null ? "not learned yet" : number(b.value_db, 1, "dB")}, ${b.state}.`);
const path = (b, step) => `/api/v1/baselines/${encodeURIComponent(b.channel)}/${step}`;

function confirmStep(b, name, refresh) {
  const [verb, advice] = STEPS[name];
  askFirst({
    title: `${verb}: baseline of ${b.channel}?`, told: about(b), advice, verb, reason: true,
    send: async (who) => { await post(path(b, name), { ...who, condition: b.condition }); refresh(); },
  });
}

function confirmPeriod(b, refresh) {
  const from = h("input", { required: true, placeholder: "2026-03-01T00:00:00Z" });
  const to = h("input", { required: true, placeholder: "2026-03-04T00:00:00Z" });
  askFirst({
    title: `Take the baseline of ${b.channel} from a period?`, told: about(b), verb: "Take it", reason: true, focus: from,
    advice: "A period in which the valve was known to be tight. If it was leaking, the leak becomes the background and is not heard any more.",
    fields: [h("label", {}, "From (UTC)", from), h("label", {}, "To (UTC)", to)],
    send: async (who) => { await post(path(b, "from-period"), { ...who, condition: b.condition, from: from.value.trim(), to: to.value.trim() }); refresh(); },
  });
}

function confirmCopy(b, refresh) {
  const source = h("input", { required: true, maxlength: 128 });
  askFirst({
    title: `Copy a baseline to ${b.channel}?`, told: about(b), verb: "Copy", reason: true, focus: source,
    advice: "After a sensor was replaced: the name of the channel (or valve) it is taken from. One that has left the register will do.",
    fields: [h("label", {}, "Copy from", source)],
    send: async (who) => { await post(path(b, "copy"), { ...who, from: source.value.trim() }); refresh(); },
  });
}
