// The page "Alarm figures": how often the alarm system calls, measured against what a person can deal with.

import { ask, counted, h, pathOf } from "./dom.js";
import { bars, shares } from "./bars.js";
import { live } from "./live.js";
import { alarmName } from "./said.js";
import { asQuery, HOUR_MS, spanLinks, spanOf } from "./spans.js";
import { table } from "./table.js";
import { ageText, exact, formatAs, timeElement } from "./time.js";

const SPANS = ["24h", "7d", "30d", "90d"];
const TEN_MIN_MS = 600e3;
const AGAIN_MS = 2000;
const MOVES_ON_MS = 60e3;
const percent = (share) => share > 0 && share < 0.001 ? "under 0.1 %" : `${(share * 100).toFixed(share && share < 0.1 ? 1 : 0)} %`;
const plain = (value) => (value >= 10 || Number.isInteger(value) ? value.toFixed(0) : value.toFixed(value < 0.1 ? 2 : 1));

export function figuresPage(page, _name, query, go) {
  let span = spanOf(query, SPANS, "30d");
  let turn = 0;
  let waiting = 0;
  const title = h("p", { class: "count" });
  const group = live.groupNames.includes(query.get("group")) ? query.get("group") : "";
  const place = h("div", { class: "figures-body" }, h("p", { class: "loading" }, "Counting…"));
  const extra = group ? { group } : {};
  page.replaceChildren(h("div", { class: "figures" },
    h("section", { class: "panel", "aria-labelledby": "figures-title" },
      h("div", { class: "head" }, h("h1", { id: "figures-title" }, "Alarm figures"), spanLinks("/figures", span, SPANS, extra), groupChoice(group, query, go)),
      title),
    place));
  const load = async () => {
    const mine = ++turn;
    span = spanOf(query, SPANS, "30d");
    title.replaceChildren(formatAs("full", span.from), " to ", formatAs("full", span.to));
    try {
      const found = await ask(`/api/v1/figures?${asQuery(span)}${group ? `&group=${encodeURIComponent(group)}` : ""}`);
      if (mine === turn) keepOpen(place, () => place.replaceChildren(...drawn(found)));
    } catch (error) {
      if (mine === turn) place.replaceChildren(h("section", { class: "panel" }, h("p", { class: "trouble", role: "alert" }, error.message)));
    }
  };
  // Counted anew when the journal grows, and now and then because the span moves on; not at every line of a flood.
  const again = () => { waiting ||= setTimeout(() => { waiting = 0; load(); }, AGAIN_MS); };
  const timer = span.fixed ? 0 : setInterval(load, MOVES_ON_MS);
  const update = (kind) => {
    if (!span.fixed && (kind === "journal" || kind === "all")) again();
    if (kind === "zone") load();
  };
  update.leave = () => { turn += 1; clearTimeout(waiting); clearInterval(timer); };
  load();
  return update;
}

/** Redraw; what somebody had unfolded stays unfolded. */
function keepOpen(place, draw) {
  const open = [...place.querySelectorAll("details")].map((node) => node.open);
  const at = place.querySelectorAll(".numbers[open]").length ? window.scrollY : null;
  draw();
  place.querySelectorAll("details").forEach((node, i) => { node.open = open[i] ?? false; });
  if (at !== null) window.scrollTo(0, at);
}

function groupChoice(group, query, go) {
  const choose = (event) => {
    const next = new URLSearchParams(query);
    if (event.target.value) next.set("group", event.target.value);
    else next.delete("group");
    go(`/figures?${next}`);
  };
  return h("select", { "aria-label": "Group", onchange: choose },
    ["", ...live.groupNames].map((name) => h("option", { value: name, selected: name === group }, name || "the whole site")));
}

function drawn(found) {
  return [
    h("section", { class: "panel", "aria-label": "In short" }, h("p", { class: "sentence" }, inShort(found)), caveats(found)),
    h("div", { class: "pictures" }, load(found)),
    h("div", { class: "pictures" }, often(found), priorities(found), standing(found)),
    h("section", { class: "panel", "aria-labelledby": "limits-title" }, h("h2", { id: "limits-title" }, "Against the limits"),
      table(LIMITS, measured(found), { name: "alarm-figures", caption: "Each figure with what is acceptable and what is the most" })),
  ];
}

function inShort(found) {
  const over = measured(found).filter((row) => row.verdict === "over").map((row) => row.figure.toLowerCase());
  const said = `${counted(found.alarms, "alarm")}, ${plain(found.per_hour.mean)} an hour on average; ${counted(found.floods.length, "flood")}; ${counted(found.standing, "alarm")} standing at the end.`;
  return over.length ? `${said} Over the limit: ${over.join(", ")}.` : `${said} Everything is within its limits.`;
}

function caveats(found) {
  return h("p", { class: "advice" },
    found.enough ? "" : h("strong", {}, "Less than 30 days are on record for this span, so the figures say little. "),
    "The limits follow ISA-18.2 and EEMUA 191 as second-hand publications give them, for one operator position. Your site's alarm philosophy decides.");
}

// How often: three pictures over the newest part of the span, each with its numbers underneath.

const PERIODS = [
  { key: "per_10_min", title: "Per 10 minutes", short: "10 minutes", ms: TEN_MIN_MS, shown: 72, about: "The last 12 hours" },
  { key: "per_hour", title: "Per hour", short: "hour", ms: HOUR_MS, shown: 72, about: "The last 3 days" },
  { key: "per_day", title: "Per day", short: "day", ms: 24 * HOUR_MS, shown: 31, about: "The last 31 days" },
];

function load(found) {
  return PERIODS.map((period) => {
    const rows = periodsOf(found, period);
    const { mean, most } = found[period.key];
    const limits = found.targets[period.key];
    const said = `${plain(mean)} per ${period.short} on average, at most ${most}. Acceptable ${limits.acceptable}, at most ${limits.most}.`;
    return h("section", { class: "panel", "aria-labelledby": `${period.key}-title` },
      h("h2", { id: `${period.key}-title` }, period.title),
      h("p", {}, h("strong", {}, `${plain(mean)} on average`), ", ", h("span", { class: "verdict" }, wordOf(rate(found, period.key))), rows.length ? `; ${most} in the fullest.` : "."),
      rows.length ? bars(rows, limits, `${period.title}: ${said}`) : h("p", { class: "none" }, "The span holds no whole period yet."),
      rows.length > 0 && h("p", { class: "count" }, `${rows.length < period.shown ? "The whole span" : `${period.about} of the span`}. Lines: acceptable ${limits.acceptable}, at most ${limits.most}.`),
      rows.length > 0 && numbers(table([
        { name: "Begins", value: (r) => new Date(r.at).toISOString(), cell: (r) => h("span", { title: exact(r.at) }, `${formatAs("day", r.at)} ${formatAs("minute", r.at)}`) },
        { name: "Alarms", value: (r) => r.count, digits: 0 }], rows, { name: period.key.replaceAll("_", "-"), caption: said })));
  });
}

const longTable = (...more) => h("div", { class: "long", tabindex: 0, role: "region", "aria-label": more[2].caption }, table(...more));
const numbers = (content) => h("details", { class: "numbers" }, h("summary", {}, "The same as numbers"), content);

/** Whole periods of the clock (UTC) out of those of 10 minutes, the newest `shown`. */
export function periodsOf(found, { ms, shown }) {
  const begin = Date.parse(found.ten_minutes.begin);
  const counts = found.ten_minutes.counts;
  const end = begin + counts.length * TEN_MIN_MS;
  const rows = [];
  for (let at = Math.ceil(begin / ms) * ms; at + ms <= end; at += ms) {
    const first = (at - begin) / TEN_MIN_MS;
    rows.push({ at, ms, count: counts.slice(first, first + ms / TEN_MIN_MS).reduce((a, b) => a + b, 0) });
  }
  return rows.slice(-shown);
}

// Which alarms make the load.

const name = (row) => [h("a", { href: pathOf.valve(row.valve) }, row.valve), ` ${alarmName(row.alarm)}`];
const ACTORS = [
  { name: "Alarm", value: (r) => `${r.valve} ${alarmName(r.alarm)}`, cell: name },
  { name: "Times", value: (r) => r.count, digits: 0 },
  { name: "Share", value: (r) => r.share, cell: (r) => percent(r.share), digits: 3 },
  { name: "Group", value: (r) => r.group, cell: (r) => h("a", { href: pathOf.group(r.group) }, r.group) },
];

function often(found) {
  return h("section", { class: "panel", "aria-labelledby": "often-title" },
    h("h2", { id: "often-title" }, "Most frequent"),
    found.frequent.length
      ? [shares(found.frequent.map((r) => ({ label: name(r), share: r.share, text: `${r.count === 1 ? "once" : `${r.count} times`}, ${percent(r.share)}` }))),
        h("p", { class: "count" }, `These make ${percent(found.top_ten_share)} of all alarms; at most ${percent(found.targets.top_ten_share.most)} is aimed at.`),
        numbers(table(ACTORS, found.frequent, { name: "most-frequent", caption: "The ten that come most often" }))]
      : h("p", { class: "none" }, "No alarm in this span."),
    h("h3", {}, "Chattering"),
    found.chattering.length
      ? table(ACTORS, found.chattering, { name: "chattering", caption: `Came three times within ${ageText(found.chatter_s)}` })
      : h("p", { class: "none" }, `None came three times within ${ageText(found.chatter_s)}.`));
}

function priorities(found) {
  const total = Object.values(found.priorities).reduce((a, b) => a + b, 0);
  const aim = found.targets.priority_share;
  const rows = ["low", "medium", "high"].map((kind) => {
    const n = found.priorities[kind] ?? 0;
    return { kind, n, label: kind, share: total ? n / total : 0, aim: aim[kind], text: `${n}, ${percent(total ? n / total : 0)} (aim ${percent(aim[kind])})` };
  });
  return h("section", { class: "panel", "aria-labelledby": "priority-title" },
    h("h2", { id: "priority-title" }, "Priorities"),
    total ? [shares(rows), h("p", { class: "count" }, "The upright mark is what is aimed at. What is always urgent never is."),
      numbers(table([{ name: "Priority", value: (r) => r.kind }, { name: "Alarms", value: (r) => r.n, digits: 0 },
        { name: "Share", value: (r) => r.share, digits: 3 }, { name: "Aim", value: (r) => r.aim, digits: 2 }], rows, { name: "priorities", caption: "Alarms by priority" }))]
      : h("p", { class: "none" }, "No alarm in this span."),
    h("h3", {}, "Until acknowledged"),
    h("p", {}, found.acknowledged_median_s === null ? "Nothing was acknowledged in this span."
      : `Half within ${ageText(found.acknowledged_median_s)}, nine of ten within ${ageText(found.acknowledged_p90_s)}.`));
}

function standing(found) {
  return h("section", { class: "panel", "aria-labelledby": "stale-title" },
    h("h2", { id: "stale-title" }, "Stale"),
    found.stale.length
      ? longTable([{ name: "Alarm", value: (r) => `${r.valve} ${alarmName(r.alarm)}`, cell: name }, { name: "Priority", value: (r) => r.priority },
        { name: "Stands for", value: (r) => r.since, cell: (r) => timeElement(r.since, "age") },
        { name: "Group", value: (r) => r.group, cell: (r) => h("a", { href: pathOf.group(r.group) }, r.group) }], found.stale,
      { name: "stale", caption: `Standing longer than a day: ${found.stale_count}; the most at any moment: ${found.most_stale}` })
      : h("p", { class: "none" }, `None stands longer than a day. The most at any moment: ${found.most_stale}.`),
    h("h3", {}, "Floods"),
    found.floods.length
      ? longTable([{ name: "Began", value: (r) => r.begin, cell: (r) => timeElement(r.begin, "at") },
        { name: "Lasted, min", value: (r) => (Date.parse(r.end) - Date.parse(r.begin)) / 60e3, digits: 0 },
        { name: "Alarms", value: (r) => r.alarms, digits: 0 }], found.floods,
      { name: "floods", caption: "From more than 10 alarms in 10 minutes to fewer than 5" })
      : h("p", { class: "none" }, "None: never more than 10 alarms in 10 minutes."));
}

// All against their limits, as one table.

const LIMITS = [
  { name: "Figure", value: (r) => r.figure },
  { name: "Is", value: (r) => r.is, cell: (r) => r.shown(r.is), digits: 3 },
  { name: "Acceptable", value: (r) => r.acceptable, cell: (r) => (r.acceptable === null ? "" : r.shown(r.acceptable)), digits: 3 },
  { name: "At most", value: (r) => r.most, cell: (r) => r.shown(r.most), digits: 3 },
  { name: "Verdict", value: (r) => r.verdict, cell: (r) => h("span", { class: "verdict" }, wordOf(r)) },
];

function against(figure, is, limits, shown) {
  const { acceptable = null, most } = limits;
  const verdict = is > most ? "over" : acceptable !== null && is > acceptable ? "above acceptable" : "within";
  return { figure, is, acceptable, most, verdict, shown };
}

const rate = (found, key) => against(PERIODS.find((p) => p.key === key).title.replace("Per", "Alarms per"), found[key].mean, found.targets[key], plain);
const wordOf = (row) => ({ over: h("strong", {}, "▲ over the limit"), "above acceptable": h("strong", {}, "above what is acceptable"), within: "within the limits", "too early": "says little before 30 days" })[row.verdict];

function measured(found) {
  const { targets } = found;
  return [
    ...PERIODS.map((period) => rate(found, period.key)),
    against("Share of 10 minutes with more than 10", found.share_over_10, targets.flood_share, percent),
    against("Share of time in floods", found.flood_share, targets.flood_share, percent),
    { ...against("Share of the ten most frequent", found.top_ten_share, targets.top_ten_share, percent), ...(found.enough ? {} : { verdict: "too early" }) },
    against("Chattering alarms", found.chattering.length, { most: 0 }, plain),
    against("Stale alarms at one moment", found.most_stale, targets.stale, plain),
  ];
}
