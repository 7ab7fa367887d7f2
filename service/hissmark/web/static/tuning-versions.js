// Versions of the settings: what was changed by whom and why, compared, taken back, out and in as TOML.

import { askFirst, post } from "./acts.js";
import { ask, h } from "./dom.js";
import { table } from "./table.js";
import { timeElement } from "./time.js";

const shown = (value, unit, none) => (value === null ? none : `${value}${unit ? ` ${unit}` : ""}`);
const step = (x) => `${x.subject || "site"}: ${x.setting} ${shown(x.before, x.unit, "not set")} → ${shown(x.after, x.unit, "taken back")}`;

export function versionsPanel() {
  const list = h("div", { class: "table-wrap" }), told = h("p", { role: "status" });
  const draw = async () => {
    try {
      const { versions } = await ask("/api/v1/settings/versions");
      list.replaceChildren(...(versions.length ? drawn(versions, told, draw) : [h("p", { class: "none" }, "Nothing has been put live here: the values of site.toml are in force.")]));
    } catch (error) {
      list.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  };
  draw();
  const node = h("section", { class: "panel tuning-versions", "aria-labelledby": "versions-title" },
    h("div", { class: "head" }, h("h2", { id: "versions-title" }, "Versions of the settings"),
      h("span", { class: "row" }, h("a", { class: "button", href: "/api/v1/settings/export", download: "tuned.toml" }, "Take along as TOML"),
        h("button", { type: "button", onclick: () => bringIn(told, draw) }, "Bring in TOML…"))),
    told, list);
  return { node, draw };
}

function drawn(versions, told, draw) {
  const newest = versions[0].version;
  const back = (number) => h("button", { class: "quiet whole", type: "button", onclick: () => takeBack(number, newest, told, draw) }, number ? `Back to ${number}…` : "Back to site.toml…");
  const columns = [
    { name: "Version", value: (v) => v.version, cell: (v) => `${v.version}${v.version === newest ? " (in force)" : ""}` },
    { name: "When", value: (v) => v.at, cell: (v) => timeElement(v.at, "at") },
    { name: "Who", value: (v) => v.author },
    { name: "What", value: (v) => v.steps.map(step).join("; "), cell: (v) => (v.steps.length ? h("ul", { class: "steps" }, v.steps.map((x) => h("li", {}, step(x)))) : "nothing") },
    { name: "Why", value: (v) => v.reason },
    { name: "Take back", value: () => "", cell: (v) => (v.version === newest ? "" : back(v.version)) },
  ];
  return [table(columns, versions, { name: "versions", caption: "Newest first" }), h("div", { class: "row" }, back(0), comparing(versions))];
}

/** What differs between two versions, as sentences. */
async function differing(from, to) {
  const { steps } = await ask(`/api/v1/settings/diff?from=${from}&to=${to}`);
  return h("ul", { class: "steps" }, steps.length ? steps.map((x) => h("li", {}, step(x))) : h("li", {}, "They do not differ."));
}

function comparing(versions) {
  const numbers = [...versions.map((v) => v.version), 0];
  const choice = (name, chosen) => h("select", { "aria-label": name, onchange: () => compare() }, numbers.map((n) => h("option", { value: n, selected: n === chosen }, n ? `version ${n}` : "site.toml")));
  const from = choice("Compare", numbers[1]), to = choice("with", numbers[0]), place = h("div", {});
  const compare = async () => {
    try {
      place.replaceChildren(await differing(from.value, to.value));
    } catch (error) {
      place.replaceChildren(h("p", { class: "trouble" }, error.message));
    }
  };
  return h("details", { class: "comparing", ontoggle: () => compare() }, h("summary", {}, "Compare two"), h("p", { class: "row" }, from, " → ", to), place);
}

async function takeBack(number, newest, told, draw) {
  const changes = await differing(newest, number).catch((error) => h("p", {}, error.message));
  askFirst({
    title: number ? `Back to version ${number}?` : "Back to what site.toml says?", verb: "Take back", reason: true,
    told: h("div", {}, h("p", {}, "This would change:"), changes),
    advice: "It counts from the next tick on and is a version of its own: it can be taken back as well.",
    send: async ({ operator, comment }) => {
      told.textContent = (await post("/api/v1/settings/roll-back", { to: number, operator, reason: comment })).message;
      draw();
    },
  });
}

function bringIn(told, draw) {
  const file = h("input", { type: "file", accept: ".toml,text/plain", required: true });
  askFirst({
    title: "Bring in settings from a TOML file?", verb: "Bring in", reason: true, focus: file,
    told: h("p", {}, "What the file sets is in force afterwards, and nothing else: what is tuned now and not in the file is taken back."),
    advice: "Take along what is tuned now first. Every setting is checked before anything changes.",
    fields: [h("label", {}, "File", file)],
    send: async ({ operator, comment }) => {
      if (!file.files.length) throw new Error("Choose a file.");
      told.textContent = (await post("/api/v1/settings/import", { toml: await file.files[0].text(), operator, reason: comment })).message;
      draw();
    },
  });
}
