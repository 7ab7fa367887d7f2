// Tuning: try settings on what is stored, see what would have happened, publish with a reason, take back.

import { signedInAs } from "./account.js";
import { post } from "./acts.js";
import { ask, h, pathOf, s } from "./dom.js";
import { iso } from "./spans.js";
import { table } from "./table.js";
import { moment, serviceNow, timeElement } from "./time.js";

const DAY_MS = 86400e3;
const time = (text) => (text ? moment(Date.parse(text)) : "–");
const DIFFERENCES = [
  { name: "Difference", value: (d) => d.difference + (d.by_change ? "" : " (not by the change)") },
  { name: "Valve", value: (d) => d.valve, cell: (d) => h("a", { href: pathOf.valve(d.valve) }, d.valve) },
  { name: "Alarm", value: (d) => d.alarm },
  { name: "Happened", value: (d) => d.happened?.raised, cell: (d) => time(d.happened?.raised) },
  { name: "Would have", value: (d) => d.would?.raised, cell: (d) => time(d.would?.raised) },
  { name: "Later by, min", value: (d) => (d.shift_s === null ? null : d.shift_s / 60), digits: 0 },
];
const ALARMS = [
  { name: "Raised", value: (e) => e.raised, cell: (e) => time(e.raised) },
  { name: "Valve", value: (e) => e.valve },
  { name: "Alarm", value: (e) => e.alarm },
  { name: "Rise, dB", value: (e) => e.rise_db, digits: 1 },
];
const steps = (v) => v.steps.map((x) => `${x.subject || "site"}: ${x.setting} ${x.before ?? "not set"} → ${x.after ?? "taken back"}${x.unit ? ` ${x.unit}` : ""}`).join("; ");

export function tuningPage(page, _name, query) {
  const said = h("p", { role: "status" }), result = h("div", {}), versions = h("div", { class: "table-wrap" });
  const form = h("form", { class: "tuning-form", onsubmit: (event) => { event.preventDefault(); start(form, said, result); } });
  page.replaceChildren(
    h("section", { class: "panel", "aria-labelledby": "tuning-title" }, h("h1", { id: "tuning-title" }, "Tuning"),
      h("p", {}, "Try a setting on what is stored before it goes live. Trying changes nothing."), form, said),
    result,
    h("section", { class: "panel", "aria-labelledby": "versions-title" }, h("h2", { id: "versions-title" }, "Versions of the settings"), versions));
  build(form, said, query);
  showVersions(versions, said);
  return () => {};
}

async function build(form, said, query) {
  const field = (label, input) => h("label", {}, label, input);
  try {
    const { settings } = await ask("/api/v1/settings/tunable");
    const about = h("p", { class: "hint", id: "about-setting" });
    const names = h("select", { name: "setting", "aria-describedby": "about-setting", onchange: () => tell() },
      settings.map((x) => h("option", { value: x.setting }, x.setting)));
    const tell = () => {
      const x = settings.find((y) => y.setting === names.value);
      about.textContent = `${x.says} From ${x.low} to ${x.high} ${x.unit}; site.toml or default: ${x.file} ${x.unit}.`;
    };
    names.value = "rise_limit_db";
    tell();
    form.replaceChildren(
      field("Valve (empty: the whole site)", h("input", { name: "valve", value: query.get("valve") ?? "" })),
      field("From", h("input", { name: "from", required: true, value: iso(serviceNow() - 30 * DAY_MS) })),
      field("To", h("input", { name: "to", required: true, value: iso(serviceNow()) })),
      field("Setting", names),
      field("Value, or several: 4 6 8", h("input", { name: "values", required: true, inputmode: "decimal" })),
      h("button", {}, "Try"), about);
  } catch (error) {
    said.textContent = `Settings are for engineers: ${error.message}`;
  }
}

/** What the form asks for: one value is a trial, several are a sweep. */
function wanted(form) {
  const data = new FormData(form), valve = data.get("valve").trim();
  const values = data.get("values").trim().split(/[\s;]+/).map((text) => Number(text.replace(",", ".")));
  const place = valve ? { level: "valve", subject: valve } : { level: "site", subject: "" };
  const body = { author: signedInAs() || "page", valves: valve ? [valve] : [], from: data.get("from").trim(), to: data.get("to").trim() };
  if (values.length > 1) return { ...body, kind: "sweep", axes: [{ setting: data.get("setting"), values }], ...place };
  return { ...body, kind: "try", settings: [{ ...place, values: { [data.get("setting")]: values[0] } }] };
}

async function start(form, said, result) {
  result.replaceChildren();
  try {
    let run = await post("/api/v1/tuning/runs", wanted(form));
    const off = h("button", { type: "button", class: "quiet", onclick: () => post(`/api/v1/tuning/runs/${run.id}/call-off`, {}) }, "Call off");
    const share = h("progress", { max: 1, "aria-label": "How far the trial is" });
    said.replaceChildren("Replaying… ", share, " ", off);
    while (["waiting", "running"].includes(run.state) && said.isConnected) {
      await new Promise((done) => setTimeout(done, 400));
      run = await ask(`/api/v1/tuning/runs/${run.id}`);
      share.value = run.share;
    }
    said.textContent = run.state === "done" ? run.result.basis.sentence : `The trial was ${run.state}. ${run.message}`;
    if (run.state === "done") show(result, run.result, said);
  } catch (error) {
    said.textContent = error.message;
  }
}

function show(place, r, said) {
  const tried = r.request.kind === "try";
  place.replaceChildren(tried ? compared(r) : swept(r));
  if (tried) place.append(publishing(r.request.settings, said));
}

function compared(r) {
  const side = (title, rows, name) => h("section", { class: "panel", "aria-label": title }, h("h2", {}, title), h("p", {}, rows.length === 1 ? "1 alarm" : `${rows.length} alarms`),
    h("div", { class: "table-wrap" }, table(ALARMS, rows, { name, caption: title })));
  const c = r.counts;
  return h("div", { class: "tuning-sides" },
    side("What happened", r.happened, "happened"),
    h("section", { class: "panel", "aria-label": "Difference" }, h("h2", {}, "Difference"),
      h("p", {}, `${c.gained} gained, ${c.lost} lost, ${c.earlier} earlier, ${c.later} later, ${c["lasted otherwise"]} lasted otherwise, ${c.same} the same.`),
      h("p", {}, `Known leaks found: ${r.score_happened.found} before, ${r.score_would.found} with it; missed ${r.score_happened.missed} and ${r.score_would.missed}; false ${r.score_happened.false} and ${r.score_would.false}.`),
      r.differences.length ? h("div", { class: "table-wrap" }, table(DIFFERENCES, r.differences, { name: "differences", caption: "Alarms that differ" })) : h("p", {}, "Nothing would have been different.")),
    side("What would have happened", r.would, "would"));
}

/** The trade-off: alarms in a valve and year against the setting, with where the site is now. */
function swept(r) {
  const [axis] = r.axes, name = axis.setting;
  const points = [...r.points].sort((a, b) => a.values[name] - b.values[name]);
  const here = r.here.values[name];
  const [low, high] = [Math.min(here, points[0].values[name]), Math.max(here, points.at(-1).values[name])];
  const most = Math.max(...points.map((p) => p.a_year), r.here.a_year, 1e-9);
  const x = (v) => 60 + 520 * ((v - low) / (high - low || 1)), y = (v) => 210 - 180 * (v / most);
  const line = points.map((p, i) => `${i ? "L" : "M"}${x(p.values[name])} ${y(p.a_year)}`).join("");
  const columns = [
    { name, value: (p) => p.values[name], digits: 2 },
    { name: "Alarms", value: (p) => p.alarms.passing, digits: 0 },
    { name: "In a valve and year", value: (p) => p.a_year, digits: 2 },
    { name: "Leaks found", value: (p) => p.score.found, digits: 0 },
    { name: "Missed", value: (p) => p.score.missed, digits: 0 },
    { name: "False", value: (p) => p.score.false, digits: 0 },
    { name: "Nobody looked", value: (p) => p.score.unknown, digits: 0 },
  ];
  return h("section", { class: "panel", "aria-label": "Trade-off" }, h("h2", {}, `Alarms by ${name}`),
    s("svg", { viewBox: "0 0 600 250", class: "tuning-curve", role: "img", "aria-label": `Alarms in a valve and year by ${name}; the table below has the numbers` },
      s("line", { x1: 60, y1: 210, x2: 580, y2: 210, class: "axis" }), s("path", { d: line, class: "curve" }),
      points.map((p) => s("circle", { cx: x(p.values[name]), cy: y(p.a_year), r: 4, class: "tried" })),
      s("circle", { cx: x(here), cy: y(r.here.a_year), r: 8, class: "here" }),
      s("text", { x: Math.min(x(here) + 12, 490), y: y(r.here.a_year) - 10 }, "you are here"),
      s("text", { x: 60, y: 232 }, String(low)), s("text", { x: 580, y: 232, "text-anchor": "end" }, `${high}`),
      s("text", { x: 4, y: 34 }, most.toFixed(1)), s("text", { x: 4, y: 214 }, "0")),
    h("div", { class: "table-wrap" }, table(columns, points, { name: "sweep", caption: `Alarms and leaks by ${name}` })));
}

function publishing(settings, said) {
  const reason = h("input", { name: "reason", required: true, maxlength: 1000 });
  const who = h("input", { name: "operator", required: true, maxlength: 100, value: signedInAs() });
  const send = async (event) => {
    event.preventDefault();
    try {
      said.textContent = (await post("/api/v1/settings/publish", { settings, operator: who.value, reason: reason.value })).message;
      document.dispatchEvent(new Event("hissmark-published"));
    } catch (error) {
      said.textContent = error.message;
    }
  };
  return h("form", { class: "panel tuning-form", onsubmit: send, "aria-label": "Put it live" }, h("h2", {}, "Put it live"),
    h("label", {}, "Your name", who), h("label", {}, "Why", reason), h("button", {}, "Publish"));
}

async function showVersions(place, said) {
  const draw = async () => {
    try {
      const { versions } = await ask("/api/v1/settings/versions");
      place.replaceChildren(versions.length ? table(columnsOf(said, draw), versions, { name: "versions", caption: "Newest first" })
        : h("p", {}, "Nothing has been published; the values of site.toml are in force."));
    } catch (error) {
      place.replaceChildren(h("p", {}, error.message));
    }
  };
  document.addEventListener("hissmark-published", function again() {
    if (place.isConnected) draw();
    else document.removeEventListener("hissmark-published", again);
  });
  await draw();
}

function columnsOf(said, draw) {
  const back = (v) => h("button", { class: "quiet", type: "button", onclick: async () => {
    const reason = prompt(`Back to version ${v.version}. Why?`);
    if (!reason) return;
    try {
      said.textContent = (await post("/api/v1/settings/roll-back", { to: v.version, operator: signedInAs() || "page", reason })).message;
      draw();
    } catch (error) {
      said.textContent = error.message;
    }
  } }, `Back to ${v.version}`);
  return [
    { name: "Version", value: (v) => v.version, digits: 0 },
    { name: "When", value: (v) => v.at, cell: (v) => timeElement(v.at, "at") },
    { name: "Who", value: (v) => v.author },
    { name: "What", value: steps },
    { name: "Why", value: (v) => v.reason },
    { name: "Take back to it", value: () => "", cell: back },
  ];
}
