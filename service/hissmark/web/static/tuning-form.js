// The form of the tuning page: whose settings, over which period, and what is to be found out.

import { signedInAs } from "./account.js";
import { ask, h } from "./dom.js";
import { live } from "./live.js";
import { iso } from "./spans.js";
import { inUtc, serviceNow } from "./time.js";

const DAY_MS = 86400e3;
const SPANS = [["1", "the last day"], ["7", "the last 7 days"], ["30", "the last 30 days"], ["90", "the last 90 days"], ["365", "the last year"], ["", "between two moments"]];
const KINDS = [["try", "What would other values have done?"], ["sweep", "How do alarms and leaks found depend on one or two settings?"], ["suggest", "Which settings keep to a number of false alarms?"]];
const OVER = [["", "rise_limit_db and odds_limit, a hundred combinations"], ["own", "settings and values of my own"]];
const VERBS = { try: "Try", sweep: "Sweep", suggest: "Suggest" };
const FIRST = "rise_limit_db";
const STEPS = 7;

const label = (text, input, more) => h("label", more, text, input);
const inputTime = (ms) => (inUtc() ? iso(ms) : iso(ms - new Date(ms).getTimezoneOffset() * 60e3)).slice(0, 16);
const readTime = (text) => Date.parse(inUtc() ? `${text}Z` : text);
const unit = (x) => (x.unit ? ` ${x.unit}` : "");
const valvesOf = (reading) => reading.channels.flatMap((c) => c.valve ?? []);

/** "4 6 8,5" or "4:12:9" (from, to, how many) as numbers. Throws what is wrong. */
function numbers(text) {
  const parts = text.trim().split(text.includes(":") ? ":" : /[\s;]+/).map((part) => Number(part.trim().replace(",", ".") || NaN));
  if (parts.some(Number.isNaN)) throw new Error(`“${text}” should be numbers, such as 4 6 8, or 4:12:9 for nine values from 4 to 12.`);
  if (!text.includes(":")) return parts;
  const [low, high, count] = parts;
  if (parts.length !== 3 || !(count >= 2)) throw new Error("Write LOW:HIGH:COUNT, such as 4:12:9.");
  return Array.from({ length: count }, (_, i) => Number((low + ((high - low) * i) / (count - 1)).toPrecision(6)));
}

export class Form {
  /** `ask(body)` is called with what is to be found out. */
  constructor(query, asked) {
    Object.assign(this, { asked, known: [], rows: [] });
    this.place = h("input", { name: "place", list: "places", autocomplete: "off", value: query.get("valve") ?? query.get("group") ?? "", placeholder: "the whole site", onchange: () => this.hint() });
    this.last = h("select", { name: "last", onchange: () => this.arrange() }, SPANS.map(([days, text]) => h("option", { value: days, selected: days === "30" }, text)));
    this.from = h("input", { name: "from", type: "datetime-local", value: inputTime(serviceNow() - 30 * DAY_MS) });
    this.to = h("input", { name: "to", type: "datetime-local", value: inputTime(serviceNow()) });
    this.between = h("div", { class: "row between" }, label("From", this.from), label("To", this.to));
    this.budget = h("input", { name: "budget", inputmode: "decimal", value: "0.1", size: 6 });
    this.forBudget = label("False alarms allowed in a valve and year", this.budget);
    this.over = h("select", { name: "over", onchange: () => this.arrange() }, OVER.map(([value, text]) => h("option", { value }, text)));
    this.forOver = label("Look through", this.over);
    this.lines = h("div", { class: "tuning-lines" });
    this.about = h("div", { class: "hint", id: "about-setting" });
    this.trouble = h("p", { class: "trouble", role: "alert" });
    this.button = h("button", { class: "acknowledge" }, "Try");
    this.node = h("form", { class: "tuning-form", novalidate: true, onsubmit: (event) => { event.preventDefault(); this.send(); } },
      label("Valve or group (empty: the whole site)", this.place), label("Judge again", this.last), this.between,
      h("fieldset", { onchange: () => this.arrange() }, h("legend", {}, "What to find out"),
        KINDS.map(([kind, text]) => h("label", { class: "kind" }, h("input", { type: "radio", name: "kind", value: kind, checked: kind === "try" }), text))),
      this.forBudget, this.forOver, this.lines, this.about, h("div", { class: "row" }, this.button), this.trouble,
      h("datalist", { id: "places" }, [...live.groups.values()].flatMap((reading) => [reading.group, ...valvesOf(reading)]).map((name) => h("option", { value: name }))));
    this.ready = this.load();
  }

  async load() {
    try {
      this.known = (await ask("/api/v1/settings/tunable")).settings;
      this.rows = [this.row("1", FIRST), this.row("2", "")];
      this.lines.replaceChildren(...this.rows.map((row) => row.node));
      this.arrange();
    } catch (error) {
      this.trouble.textContent = error.message;
    }
  }

  /** One setting and its values; the second may be left out. */
  row(number, chosen) {
    const names = h("select", { name: `setting${number}`, "aria-describedby": "about-setting", onchange: () => { values.value = ""; this.arrange(); } },
      number === "2" && h("option", { value: "" }, "no second setting"), this.known.map((x) => h("option", { value: x.setting, selected: x.setting === chosen }, x.setting)));
    const values = h("input", { name: `values${number}`, inputmode: "decimal", autocomplete: "off" });
    const word = h("span", {}, "Value");
    const forValues = h("label", {}, word, values);
    return { names, values, word, forValues, node: h("div", { class: "row" }, label(number === "1" ? "Setting" : "And", names), forValues) };
  }

  get kind() { return new FormData(this.node).get("kind"); }

  /** Whether a suggestion looks through the usual settings, so that none are to be chosen. */
  get usual() { return this.kind === "suggest" && !this.over.value; }

  /** Show what the question needs, and nothing else. */
  arrange() {
    const kind = this.kind;
    this.between.hidden = this.last.value !== "";
    this.forBudget.hidden = this.forOver.hidden = kind !== "suggest";
    this.lines.hidden = this.usual;
    this.button.textContent = VERBS[kind];
    for (const row of this.rows) {
      const setting = this.known.find((x) => x.setting === row.names.value);
      row.forValues.hidden = !setting;
      row.word.textContent = kind !== "try" ? "Values: 4 6 8, or 4:12:9" : `Value${setting?.unit ? `, ${setting.unit}` : ""}`;
      if (setting && kind !== "try" && !this.usual && !/[\s:;]/.test(row.values.value.trim())) row.values.value = around(setting);
      if (setting && kind === "try" && /[\s:;]/.test(row.values.value.trim())) row.values.value = "";
    }
    this.hint();
  }

  /** What the settings mean and what is in force. */
  async hint() {
    const advice = this.kind === "suggest" ? [h("p", {}, "An alarm where nobody looked counts as false: the more findings and repairs are on record, the better the advice.")] : [];
    if (this.usual) {
      this.about.replaceChildren(...advice);
      return;
    }
    const chosen = this.chosen();
    const known = [...live.groups.values()].flatMap(valvesOf);
    const valve = this.valves().find((tag) => known.includes(tag)) ?? known[0];
    const force = valve ? await ask(`/api/v1/settings/tuned?valve=${encodeURIComponent(valve)}`).catch(() => ({ settings: [] })) : { settings: [] };
    this.about.replaceChildren(...advice, ...chosen.map((x) => {
      const now = force.settings.find((row) => row.setting === x.setting);
      const from = now && (now.level === "file" ? "site.toml or default" : `${now.level}, version ${now.version}`);
      return h("p", {}, h("strong", {}, x.setting), `: ${x.says} From ${x.low} to ${x.high}${unit(x)}.`, now ? ` In force for ${valve}: ${now.value}${unit(x)} (${from}).` : "");
    }));
  }

  chosen() {
    return this.rows.flatMap((row) => this.known.find((x) => x.setting === row.names.value) ?? []);
  }

  /** Tags of the valves whose groups are judged again; none: all. */
  valves() {
    const place = this.place.value.trim();
    const group = live.groups.get(place);
    return group ? valvesOf(group) : place ? [place] : [];
  }

  /** Level and subject of the settings. Throws if there is no such place. */
  level() {
    const subject = this.place.value.trim();
    if (!subject) return { level: "site", subject: "" };
    if (live.groups.has(subject)) return { level: "group", subject };
    if ([...live.groups.values()].flatMap(valvesOf).includes(subject)) return { level: "valve", subject };
    throw new Error(`The register has no valve or group “${subject}”.`);
  }

  period() {
    if (this.last.value) return { from: iso(serviceNow() - this.last.value * DAY_MS), to: iso(serviceNow()) };
    const [from, to] = [readTime(this.from.value), readTime(this.to.value)];
    if (!(from < to)) throw new Error("Say from when to when.");
    return { from: iso(from), to: iso(to) };
  }

  body() {
    const kind = this.kind, place = this.level();
    const common = { kind, author: signedInAs() || localStorage.getItem("hissmark.operator") || "page", valves: this.valves(), ...this.period() };
    if (kind === "suggest") {
      const [budget] = numbers(this.budget.value);
      if (!(budget > 0)) throw new Error("How many false alarms may there be in a valve and year? For instance 0.1: one in ten years.");
      if (this.usual) return { ...common, ...place, budget };
      Object.assign(common, { budget });
    }
    const wanted = this.rows.filter((row) => row.names.value).map((row) => {
      if (!row.values.value.trim()) throw new Error(`Which value of ${row.names.value}?`);
      return [row.names.value, numbers(row.values.value)];
    });
    if (new Set(wanted.map(([name]) => name)).size < wanted.length) throw new Error("Choose two different settings.");
    if (kind !== "try") return { ...common, ...place, axes: wanted.map(([setting, values]) => ({ setting, values })) };
    return { ...common, settings: [{ ...place, values: Object.fromEntries(wanted.map(([name, values]) => [name, values[0]])) }] };
  }

  async send() {
    this.trouble.textContent = "";
    let body;
    try {
      body = this.body();
    } catch (error) {
      this.trouble.textContent = error.message;
      return;
    }
    this.button.disabled = true;
    try {
      await this.asked(body);
    } finally {
      this.button.disabled = false;
    }
  }

  /** Take over a place, a question, values; `at_once` asks it too. */
  async take({ place, kind, setting, values, from, to }, atOnce = false) {
    await this.ready;
    if (place !== undefined) this.place.value = place;
    if (kind) this.node.querySelector(`[name=kind][value=${kind}]`).checked = true;
    if (from) [this.last.value, this.from.value, this.to.value] = ["", inputTime(from), inputTime(to)];
    const pairs = values ? Object.entries(values) : setting ? [[setting, ""]] : [];
    this.rows.forEach((row, i) => {
      if (!pairs.length) return;
      row.names.value = pairs[i]?.[0] ?? "";
      row.values.value = pairs[i]?.[1] ?? "";
    });
    this.arrange();
    this.node.scrollIntoView({ block: "nearest" });
    if (atOnce) await this.send();
    else (this.rows[0]?.values ?? this.place).focus();
  }
}

/** Values about the one of the file, for a start. */
function around({ file, low, high }) {
  const [least, most] = file ? [file / 2, file * 2] : [low, Math.min(high, 4)];
  const step = (most - least) / (STEPS - 1);
  const values = Array.from({ length: STEPS }, (_, i) => Number((least + i * step).toPrecision(3))).filter((v) => v >= low && v <= high);
  return [...new Set(values)].join(" ");
}
