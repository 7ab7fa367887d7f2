// The form that puts a finding, a repair, or both on record.

import { signedInAs } from "./account.js";
import { ask, h } from "./dom.js";
import { live } from "./live.js";
import { iso } from "./spans.js";
import { inUtc } from "./time.js";

const FOUND = [["", "nothing to say"], ["passing", "it passes"], ["tight", "it is tight"], ["wrong-valve", "wrong valve, another passes"], ["sensor", "nothing passes, the sensor misled"]];
const WORK = [["", "nothing yet"], ["closed-fully", "closed fully"], ["stops-set", "actuator or stops set"], ["seat-cleaned", "seat cleaned"], ["seat-lapped", "seat lapped"],
  ["seat-replaced", "seat replaced"], ["trim-replaced", "trim replaced"], ["valve-replaced", "valve replaced"], ["sensor-remounted", "sensor remounted"], ["sensor-replaced", "sensor replaced"], ["other", "other work"]];
const choices = (name, rows) => h("select", { name }, rows.map(([value, text]) => h("option", { value }, text)));
const tags = () => [...live.groups.values()].flatMap((reading) => reading.channels).flatMap((c) => c.valve ?? []);

/** `written()` is called once something is on record; the address may name the valve. */
export function recordForm(query, written) {
  const valve = h("input", { name: "valve", required: true, maxlength: 200, list: "valves", autocomplete: "off", value: query.get("valve") ?? "" });
  const found = choices("found", FOUND);
  const source = h("input", { name: "source", maxlength: 200, list: "valves", autocomplete: "off" });
  const other = h("label", { hidden: true }, "The valve that passes instead", source);
  const work = choices("work", WORK);
  const at = h("input", { name: "at", type: "datetime-local", step: 1 });
  const who = h("input", { name: "who", maxlength: 100, autocomplete: "name", value: localStorage.getItem("hissmark.operator") ?? "" });
  const note = h("textarea", { name: "note", maxlength: 4000, rows: 2 });
  const amount = h("input", { name: "amount", inputmode: "decimal", maxlength: 20, autocomplete: "off", placeholder: "if known" });
  const currency = h("input", { name: "currency", maxlength: 3, size: 4, autocomplete: "off", value: localStorage.getItem("hissmark.currency") ?? "", placeholder: "EUR" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const told = h("p", { role: "status", class: "told" });
  const button = h("button", { class: "acknowledge" }, "Put on record");
  found.addEventListener("change", () => { other.hidden = found.value !== "wrong-valve"; });
  const send = async (event) => {
    event.preventDefault();
    told.textContent = "";
    trouble.textContent = missing({ valve, found, work, who, source });
    if (trouble.textContent) return;
    button.disabled = true;
    try {
      told.textContent = (await put({ valve, found, source, work, at, who, note, amount, currency })).join(" ");
      localStorage.setItem("hissmark.currency", currency.value.trim().toUpperCase());
      note.value = amount.value = at.value = found.value = work.value = "";
      await written();
    } catch (error) {
      trouble.textContent = `Not recorded: ${error.message}`;
    }
    button.disabled = false;
  };
  return h("form", { class: "record-form", onsubmit: send, novalidate: true },
    h("label", {}, "Valve", valve), h("label", {}, "What was found", found), other, h("label", {}, "What was done", work),
    h("label", {}, "When (now, if left empty)", at), h("label", {}, "Who found or did it", who),
    h("label", { class: "wide" }, "Note", note),
    h("div", { class: "row cost" }, h("label", {}, "Cost", amount), h("label", {}, "Currency", currency)),
    h("p", { class: "advice wide" }, "Nothing is overwritten: a mistake is corrected by a further record. After a repair its check begins by itself."),
    h("div", { class: "row wide" }, button, told), trouble,
    h("datalist", { id: "valves" }, tags().map((tag) => h("option", { value: tag }))));
}

function missing({ valve, found, work, who, source }) {
  const tag = valve.value.trim();
  if (!tag) return "Which valve?";
  if (!tags().includes(tag)) return `There is no valve “${tag}”.`;
  if (!found.value && !work.value) return "Say what was found, what was done, or both.";
  if (found.value === "wrong-valve" && !tags().includes(source.value.trim())) return "Say which valve passes instead.";
  return who.value.trim() ? "" : "The record needs the name of whoever found or did it.";
}

/** Finding and repair are two records. The cost belongs to the work, if there was any. */
async function put(form) {
  const text = (name) => form[name].value.trim();
  const common = { valve: text("valve"), who: text("who"), operator: signedInAs() || text("who"), note: text("note") };
  if (form.at.value) common.at = iso(Date.parse(inUtc() ? `${form.at.value}Z` : form.at.value));
  const cost = text("amount") ? { amount: text("amount").replace(",", "."), currency: text("currency").toUpperCase() } : null;
  const said = [];
  if (form.found.value) {
    const source = form.found.value === "wrong-valve" ? text("source") : null;
    const { id } = await post("/api/v1/findings", { ...common, found: form.found.value, source, cost: form.work.value ? null : cost });
    said.push(`Finding ${id} is on record.`);
  }
  if (form.work.value) {
    const { id } = await post("/api/v1/repairs", { ...common, work: form.work.value, cost });
    said.push(`Repair ${id} is on record.`);
  }
  return said;
}

export const post = (path, body) =>
  ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
