// What the leak of a valve is worth: rate, loss, emissions, seat class, each with its interval and where it comes from.

import { mayAct } from "./acts.js";
import { ask, h } from "./dom.js";
import { isPast } from "./live.js";
import { iso, pastMoment } from "./past.js";
import { table } from "./table.js";
import { exact, formatAs, timeElement } from "./time.js";
import { picture } from "./worth-fit.js";
import { assume, record, takeBack } from "./worth-forms.js";
import { between, figure } from "./worth-words.js";

const AGAIN_MS = 20000; // asked at most this often while ticks come
const SHEET = "/static/worth.css";

/** A panel that keeps the worth of one valve. */
export class Worth {
  constructor(tag) {
    if (!document.querySelector(`link[href="${SHEET}"]`)) document.head.append(h("link", { rel: "stylesheet", href: SHEET }));
    Object.assign(this, { tag, due: 0, asked: "", open: new Set() });
    this.node = h("section", { class: "panel worth", "aria-labelledby": "worth-title" }, h("h2", { id: "worth-title" }, "What the leak is worth"));
  }

  /** Ask again if the moment has changed, or enough time has passed. */
  async load(now = false) {
    const moment = isPast() ? iso(pastMoment()) : "";
    if (!now && moment === this.asked && (moment || performance.now() < this.due)) return;
    Object.assign(this, { asked: moment, due: performance.now() + AGAIN_MS });
    try {
      const worth = await ask(`/api/v1/valves/${encodeURIComponent(this.tag)}/worth${moment ? `?at=${moment}` : ""}`);
      if (moment === this.asked) this.draw(worth);
    } catch (error) {
      if (moment === this.asked) this.node.replaceChildren(this.node.firstChild, h("p", { class: "none" }, error.message));
    }
  }

  draw(worth) {
    const again = () => this.load(true);
    const act = mayAct() && document.documentElement.dataset.role !== "operator";
    this.node.replaceChildren(
      h("div", { class: "head" }, h("h2", { id: "worth-title" }, "What the leak is worth"),
        act ? h("button", { type: "button", class: "act", onclick: () => record(worth, again) }, "Record a measured leak") : ""),
      h("p", { class: "sentence" }, worth.sentence),
      worth.bound ? h("p", {}, `By process tags at most ${figure(worth.bound.most_kg_h)} kg/h (95 %): `, worth.bound.steps.map((s) => `${s.what} ${s.value}, ${s.how}`).join("; "), ".") : "",
      worth.notes.map((note) => h("p", { class: "advice" }, note)),
      h("div", { class: "worth-parts" },
        worth.loss && h("div", {}, h("dl", {}, figures(worth).map(([name, value, more]) => [h("dt", {}, name), h("dd", {}, value, more ? h("small", {}, ` ${more}`) : "")]))),
        worth.line && picture(worth)),
      this.part("seat", `Seat class${keeps(worth)}`, worth.classes.length > 0 && seat(worth)),
      this.part("points", `Measured leaks (${worth.points.length})`, worth.points.length > 0 && points(worth, act && ((p) => takeBack(p, again)))),
      this.part("trace", "Where this comes from", worth.trace.length > 0 && steps(worth)),
      this.part("assumed", "What is assumed", assumptions(worth, act && ((a, whole) => assume(worth, a, whole, again)))),
      h("p", { class: "advice" }, worth.caution));
  }

  /** A part that stays open or shut over redraws. */
  part(name, title, content) {
    if (!content) return "";
    const node = h("details", { open: this.open.has(name), ontoggle: () => this.open[node.open ? "add" : "delete"](name) }, h("summary", {}, title), content);
    return node;
  }
}

function figures(worth) {
  const { loss, emissions: air, total } = worth;
  const money = loss.currency;
  const rows = [["Rate", between(worth.rate_kg_h, "kg/h")]];
  if (worth.rate_m3_h) rows.push(["", between(worth.rate_m3_h, "m³/h"), "at 20 °C, 1 atm"]);
  rows.push(loss.money_h ? ["Loss an hour", between(loss.money_h, money)] : ["Loss", "no price stated", ""]);
  if (loss.money_year) rows.push(["Loss a year", between(loss.money_year, money)]);
  rows.push(["Mass a year", between(loss.kg_year, "kg", 1, "t")]);
  if (loss.kwh_h) rows.push(["Energy", between(loss.kwh_h, "kW")]);
  if (air) rows.push(["CO₂ equivalent a year", between(air.equivalent_kg_year, "kg", 1, "t"), air.warming]);
  if (total) rows.push(["Lost since", [timeElement(total.since, "ago"), ": ", between(total.kg, "kg"), total.money ? `, ${between(total.money, money)}` : ""], heard(total)]);
  if (loss.pay_back_days) rows.push(["A repair pays after", between(loss.pay_back_days, "days"), `${figure(loss.repair_cost)} ${money}`]);
  return rows;
}

const heard = (total) => (total.heard_h < 0.98 * total.passed_h ? `heard ${figure(total.heard_h)} of ${figure(total.passed_h)} h` : "");

// Seat class: those that can be told, the strictest of each standard first.

const CLASSES = [
  { name: "Seat class", value: (c) => `${c.standard} ${c.name}` },
  { name: "Allows, mL/min", value: (c) => c.allowed_ml_min, cell: (c) => (c.needs ? h("small", {}, `needs ${c.needs}`) : figure(c.allowed_ml_min)), digits: 3 },
  { name: "Of", value: (c) => c.test },
  { name: "Leak is above", value: (c) => c.probability_above, cell: (c) => (c.probability_above === null ? "" : likely(c.probability_above)), digits: 2 },
];
const likely = (p) => (p > 0.995 ? "almost surely" : p < 0.005 ? "almost surely not" : `${(100 * p).toFixed(0)} %`);

const required = (worth) => worth.assumptions.find((a) => a.name === "seat class")?.text;
const keeps = (worth) => (required(worth) ? `: it has to keep ${required(worth)}` : "");

function seat(worth) {
  const known = worth.classes.filter((c) => !c.needs);
  const missing = [...new Set(worth.classes.filter((c) => c.needs).map((c) => c.needs))];
  return h("div", { class: "table-wrap", tabindex: 0, role: "region", "aria-label": "Seat classes" },
    table(CLASSES, known, { name: `${worth.valve}-classes`, caption: "The leak carried over to each class's own test: how likely it is more than the class allows" }),
    missing.length ? h("p", { class: "advice" }, `Others need ${missing.join("; ")}.`) : "");
}

// Measured leaks.

const fits = (p) => (p.left_out === null ? "nothing to compare with" : p.left_out < 0.01 ? "hardly" : p.left_out < 0.1 ? "so so" : "yes");

function points(worth, back) {
  const columns = [
    { name: "No.", value: (p) => p.id, digits: 0 },
    { name: "Valve", value: (p) => p.valve },
    { name: "Measured", value: (p) => p.at, cell: (p) => h("span", { title: exact(Date.parse(p.at)) }, `${formatAs("day", Date.parse(p.at))} ${formatAs("minute", Date.parse(p.at))}`) },
    { name: "As typed", value: (p) => Object.entries(p.typed).map(([k, v]) => `${k.replaceAll("_", " ")} ${v}`).join(", ") },
    { name: "Leak, kg/h", value: (p) => p.rate_kg_h, cell: (p) => `${figure(p.rate_kg_h)} ± ${figure(100 * p.uncertainty)} %`, digits: 4 },
    { name: "Level, dB", value: (p) => p.level_db, digits: 1 },
    { name: "Leverage", value: (p) => p.leverage, digits: 2 },
    { name: "Fits the others", value: fits },
    { name: "By", value: (p) => p.author, cell: (p) => h("span", { title: p.reason }, p.author) },
  ];
  if (back) columns.push({ name: "Undo", value: () => "", cell: (p) => p.valve === worth.valve && h("button", { type: "button", class: "quiet act", onclick: () => back(p) }, "Take back") });
  return h("div", { class: "table-wrap", tabindex: 0, role: "region", "aria-label": "Measured leaks" },
    table(columns, worth.points, { name: `${worth.valve}-leaks`, caption: "Leverage: how much the line hangs on a point. Fits: how far it is from where the others put it." }));
}

const steps = (worth) => h("div", { class: "table-wrap", tabindex: 0, role: "region", "aria-label": "Where this comes from" },
  table([{ name: "What", value: (s) => s.what }, { name: "Value", value: (s) => s.value }, { name: "How", value: (s) => s.how }], worth.trace,
    { name: `${worth.valve}-trace`, caption: "From what was heard and typed to each number" }));

// Assumptions.

function assumptions(worth, change) {
  const columns = [
    { name: "Assumed", value: (a) => a.name },
    { name: "Is", value: (a) => a.text || "not known" },
    { name: "From", value: (a) => a.origin, cell: (a) => h("span", { title: a.reason }, a.origin, a.author ? ` by ${a.author}` : "", a.recorded_at ? [", ", timeElement(a.recorded_at, "ago")] : "") },
    { name: "What it is", value: (a) => a.meaning },
  ];
  if (change) columns.push({ name: "Change", value: () => "", cell: (a) => h("span", { class: "row" },
    h("button", { type: "button", class: "quiet act", onclick: () => change(a, false) }, `For ${worth.valve}`),
    h("button", { type: "button", class: "quiet act", onclick: () => change(a, true) }, "For the site")) });
  return h("div", { class: "table-wrap", tabindex: 0, role: "region", "aria-label": "What is assumed" },
    table(columns, worth.assumptions, { name: `${worth.valve}-assumed`, caption: "The newest of each counts, the valve's own before the site's; all of them stay on record" }));
}
