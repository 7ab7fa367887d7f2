// What people put on record of a leak: a measured one, one taken back, an assumption.

import { askFirst, post } from "./acts.js";
import { h } from "./dom.js";

const field = (label, name, more = {}) => {
  const input = h("input", { name, maxlength: 200, autocomplete: "off", ...more });
  return { node: h("label", {}, label, input), input };
};

/** Ask for a measured leak: either the leak itself, or how a pressure fell. */
export function record(worth, done) {
  const fluid = worth.fluid || "natural gas";
  const fields = [
    field("Measured leak", "leak", { placeholder: "3.4 kg/h, 5 Nm3/h, 350 mL in 5 min, 27 bubbles/min" }),
    field("or a pressure that fell: volume", "decay_volume", { placeholder: "1.2 m3" }),
    field("from", "decay_from", { placeholder: "7 barg" }), field("to", "decay_to", { placeholder: "6.4 barg" }), field("within", "decay_time", { placeholder: "30 min" }),
    field("Half of the 95 % interval", "uncertainty", { placeholder: "10 %; empty: what is usual" }),
    field("Fluid", "fluid", { placeholder: `${fluid}, as assumed` }),
    field("Pressure before the valve", "upstream", { placeholder: "from its tag" }), field("Pressure behind it", "downstream", { placeholder: "from its tag" }),
    field("Leak-only level", "level", { placeholder: "from the history" }),
  ];
  const when = h("input", { type: "datetime-local", name: "at" });
  askFirst({
    title: `Record a measured leak of ${worth.valve}`, verb: "Put on record",
    told: h("p", {}, "What was measured, each with its unit. The level comes from the history at that time, pressures from their tags."),
    advice: "Measuring a leak by hand needs a permit: know what is in the line before anything is opened.",
    fields: [h("div", { class: "measured" }, fields.map((f) => f.node)), h("label", {}, "When (your local time; empty: now)", when)],
    focus: fields[0].input,
    send: async ({ operator, comment }) => {
      const typed = Object.fromEntries(fields.filter((f) => f.input.value.trim()).map((f) => [f.input.name, f.input.value.trim()]));
      await post("/api/v1/calibration", { operator, reason: comment, valve: worth.valve, typed, at: when.value ? new Date(when.value).toISOString() : null });
      done();
    },
  });
}

/** Ask why a point is taken back. */
export function takeBack(point, done) {
  askFirst({
    title: `Take measured leak ${point.id} of ${point.valve} back?`, verb: "Take back", reason: true,
    told: h("p", {}, Object.entries(point.typed).map(([k, v]) => `${k.replaceAll("_", " ")} ${v}`).join(", ")),
    advice: "It stays on record with your reason, and counts no more.",
    send: async ({ operator, comment }) => {
      await post(`/api/v1/calibration/${point.id}/withdraw`, { operator, reason: comment });
      done();
    },
  });
}

/** Ask for an assumption, of the valve or of the whole site. */
export function assume(worth, assumption, whole, done) {
  const text = field(`${assumption.name}: ${assumption.meaning}`, "text", { placeholder: assumption.example, value: assumption.text });
  askFirst({
    title: `${assumption.name[0].toUpperCase()}${assumption.name.slice(1)} for ${whole ? "the site" : worth.valve}`, verb: "Put on record",
    told: h("p", {}, whole ? "Holds for every valve that has none of its own." : "Goes before what is stated for the site."),
    advice: "What was stated before stays on record. Empty takes it back.",
    fields: [text.node], focus: text.input,
    send: async ({ operator, comment }) => {
      await post("/api/v1/assumptions", { operator, reason: comment, valve: whole ? null : worth.valve, name: assumption.name, text: text.input.value });
      done();
    },
  });
}
