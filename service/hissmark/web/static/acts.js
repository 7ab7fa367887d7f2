// What one can do about an alarm: each is asked once more, and the answer comes only once it is on record.

import { signedInAs } from "./account.js";
import { ask, h } from "./dom.js";
import { alarmKey, isPast, live, sortedAlarms } from "./live.js";
import { alarmName, isAside, needsAcknowledge, priorityMark, sentence } from "./said.js";

const AT_ONCE = 200; // what the service takes in one request
const TIMES = [[1800, "30 minutes"], [3600, "1 hour"], [2 * 3600, "2 hours"], [4 * 3600, "4 hours"], [8 * 3600, "8 hours"],
  [12 * 3600, "12 hours"], [86400, "1 day"], [3 * 86400, "3 days"], [7 * 86400, "7 days"], [30 * 86400, "30 days"]];

/** Viewers only look, and nothing is done to the past. Where nobody signs in, everybody may act. */
export const mayAct = () => document.documentElement.dataset.role !== "viewer" && !isPast();
export const canShelve = (alarm) => !isAside(alarm);
export const canRemove = (alarm) => !isAside(alarm) || alarm.state === "shelved";

/** A dialog that asks who and why. `send` does it and throws what went wrong; `fields` come between. */
export function askFirst({ title, told, advice, fields = [], reason = false, verb, send, focus }) {
  const name = h("input", { name: "operator", required: true, maxlength: 100, autocomplete: "name", readonly: Boolean(signedInAs()), value: signedInAs() || (localStorage.getItem("hissmark.operator") ?? "") });
  const comment = h("input", { name: "comment", required: reason, maxlength: 1000, autocomplete: "off", placeholder: reason ? null : "optional" });
  const trouble = h("p", { class: "trouble", role: "alert" });
  const confirm = h("button", { class: "acknowledge", value: "yes" }, verb);
  const form = h("form", { method: "dialog", novalidate: true },
    h("h2", { id: "ask-title" }, title), told, h("p", { class: "advice" }, advice), fields,
    h("label", {}, "Your name", name), h("label", {}, reason ? "Reason" : "Comment", comment), trouble,
    h("div", { class: "row" }, confirm, h("button", { type: "button", class: "quiet", onclick: () => dialog.close() }, "Cancel")));
  const dialog = h("dialog", { "aria-labelledby": "ask-title", onclose: () => dialog.remove() }, form);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    carryOut({ name, comment, reason, trouble, confirm, dialog, send });
  });
  document.body.append(dialog);
  dialog.showModal();
  (focus ?? (!name.value ? name : reason ? comment : confirm)).focus();
}

async function carryOut({ name, comment, reason, trouble, confirm, dialog, send }) {
  const operator = name.value.trim();
  const why = comment.value.trim();
  if (!operator) return void (trouble.textContent = "The record needs your name.");
  if (reason && !why) return void (trouble.textContent = "The record needs a reason: whoever comes next wants to know why.");
  if (!signedInAs()) localStorage.setItem("hissmark.operator", operator);
  confirm.disabled = true;
  confirm.textContent = "Recording…";
  try {
    await send({ operator, comment: why });
    dialog.close();
  } catch (error) {
    trouble.textContent = error.message;
    confirm.disabled = false;
    confirm.textContent = "Try again";
  }
}

export const post = (path, body) =>
  ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });

/** Send one action on one alarm; a refusal begins with what has not happened. */
const sender = (alarm, action, refused, more = () => ({})) => async (who) => {
  try {
    await post(`/api/v1/alarms/${encodeURIComponent(alarm.valve)}/${encodeURIComponent(alarm.alarm)}/${action}`, { ...who, ...more() });
  } catch (error) {
    throw new Error(`${refused}: ${error.message}`);
  }
};

const subject = (alarm) => `${alarm.valve}, ${alarmName(alarm.alarm)}`;
const saying = (alarm) => h("p", {}, sentence(alarm.parts));

export function confirmAcknowledge(alarm) {
  askFirst({
    title: `Acknowledge ${subject(alarm)}?`, told: saying(alarm), verb: "Acknowledge",
    advice: "Acknowledging says that you have seen it. It changes nothing about the valve.",
    send: sender(alarm, "acknowledge", "Not acknowledged"),
  });
}

export function confirmShelve(alarm) {
  const allowed = TIMES.filter(([seconds]) => seconds <= live.maxShelve);
  const shown = allowed.length ? allowed : [[live.maxShelve, `${Math.floor(live.maxShelve / 60)} minutes`]];
  const usual = Math.min(4 * 3600, shown.at(-1)[0]);
  const time = h("select", { name: "for" }, shown.map(([seconds, text]) => h("option", { value: seconds, selected: seconds === usual }, text)));
  askFirst({
    title: `Shelve ${subject(alarm)}?`, told: saying(alarm), verb: "Shelve", reason: true, focus: time,
    advice: "It leaves the list for a time and comes back by itself. It goes on being judged meanwhile; the valve is as it was.",
    fields: [h("label", {}, "For", time)],
    send: sender(alarm, "shelve", "Not shelved", () => ({ for_s: Number(time.value) })),
  });
}

export function confirmUnshelve(alarm) {
  askFirst({
    title: `Take ${subject(alarm)} off the shelf?`, told: saying(alarm), verb: "Take off the shelf",
    advice: "It is put before everybody again if its reason still stands.",
    send: sender(alarm, "unshelve", "Not taken off the shelf"),
  });
}

export function confirmRemove(alarm) {
  askFirst({
    title: `Take ${subject(alarm)} out of service?`, told: saying(alarm), verb: "Take out of service", reason: true,
    advice: "It calls nobody until somebody returns it to service: it does not come back by itself. For a while only, shelve it.",
    send: sender(alarm, "take-out-of-service", "Not taken out of service"),
  });
}

export function confirmReturn(alarm) {
  askFirst({
    title: `Return ${subject(alarm)} to service?`, told: saying(alarm), verb: "Return to service",
    advice: "It is put before everybody again if its reason still stands.",
    send: sender(alarm, "return-to-service", "Not returned to service"),
  });
}

/** Several at once: each is marked by hand, so that none is acknowledged unread. */
export function confirmSeveral() {
  const rows = sortedAlarms(needsAcknowledge, live);
  if (!rows.length) return;
  const boxes = new Map(rows.map((alarm) => [h("input", { type: "checkbox", value: alarmKey(alarm) }), alarm]));
  const marked = () => [...boxes].filter(([box]) => box.checked).map(([, alarm]) => alarm);
  const list = h("ul", { class: "several" }, [...boxes].map(([box, alarm]) =>
    h("li", {}, h("label", {}, box, priorityMark(alarm.priority), h("span", {}, `${alarm.priority[0].toUpperCase()}${alarm.priority.slice(1)} priority. `, sentence(alarm.parts))))));
  const mark = (on) => { for (const box of boxes.keys()) box.checked = on; };
  askFirst({
    title: "Acknowledge several", verb: "Acknowledge the marked", told: list, focus: boxes.keys().next().value,
    advice: "Acknowledging says that you have seen them. It changes nothing about the valves.",
    fields: [h("div", { class: "row" },
      h("button", { type: "button", class: "quiet", onclick: () => mark(true) }, "Mark all"),
      h("button", { type: "button", class: "quiet", onclick: () => mark(false) }, "Mark none"))],
    send: (who) => sendSeveral(who, marked(), boxes),
  });
}

async function sendSeveral(who, alarms, boxes) {
  if (!alarms.length) throw new Error("None is marked.");
  const refused = [];
  for (let at = 0; at < alarms.length; at += AT_ONCE) {
    const part = alarms.slice(at, at + AT_ONCE).map(({ valve, alarm }) => ({ valve, alarm }));
    const done = await post("/api/v1/alarms/acknowledge", { ...who, alarms: part });
    refused.push(...done.actions.filter((one) => !one.applied));
  }
  if (!refused.length) return;
  for (const box of boxes.keys()) { box.checked = false; box.disabled = true; }
  const rest = alarms.length - refused.length;
  throw new Error(`${rest} acknowledged, ${refused.length} not: ${refused.slice(0, 5).map((one) => one.message).join(" ")}`);
}
