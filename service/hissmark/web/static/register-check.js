// The commissioning check: does every sensor and tag deliver what the register says it does?

import { ask, h, pathOf } from "./dom.js";
import { live } from "./live.js";

const MARKS = { fine: "✓", "look at it": "△", wrong: "▲", "not seen yet": "–" };

export function commissioning() {
  const group = h("select", { "aria-label": "Group" });
  const result = h("div", { class: "checks", "aria-live": "polite" });
  const element = h("section", { class: "panel commissioning", "aria-labelledby": "check-title" },
    h("h2", { id: "check-title" }, "Commissioning check"),
    h("p", { class: "advice" }, "Of each channel: heard, believable, its own signal, on time; position and pressure tags alive; spill in the order of the register. It does not prove that a sensor is coupled well."),
    h("div", { class: "row" }, h("label", {}, "Group ", group),
      h("button", { type: "button", onclick: check }, "Check"),
      h("button", { type: "button", class: "quiet", onclick: () => window.print() }, "Print")), result);
  async function check() {
    result.replaceChildren(h("p", { class: "loading" }, "Looking at the last hour…"));
    try {
      draw(result, (await ask(`/api/v1/register/commissioning?group=${encodeURIComponent(group.value)}`)).checks, group.value);
    } catch (error) {
      result.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
  }
  function refresh() {
    const chosen = group.value;
    group.replaceChildren(...live.groupNames.map((name) => h("option", { selected: name === chosen }, name)));
  }
  return { element, refresh };
}

function draw(place, checks, group) {
  const wrong = checks.filter((c) => c.standing === "wrong").length;
  const look = checks.filter((c) => c.standing === "look at it").length;
  const said = wrong || look ? `${wrong} wrong, ${look} to look at, of ${checks.length} channels.` : `Nothing wrong with ${checks.length} channels.`;
  place.replaceChildren(h("h3", {}, `Group ${group}`), h("p", { role: "status" }, said), ...checks.map(channel));
}

function channel(check) {
  return h("article", { class: `check ${check.standing === "fine" ? "fine" : ""}` },
    h("h4", {}, `${MARKS[check.standing]} ${check.channel}, `, check.subject === check.channel ? "reference point" : h("a", { href: pathOf.valve(check.subject) }, check.subject), `: ${check.standing}`),
    h("dl", {}, check.points.map((p) => [
      h("dt", {}, `${MARKS[p.standing]} ${p.what}`),
      h("dd", {}, p.standing === "fine" ? p.found : h(p.standing === "not seen yet" ? "span" : "strong", {}, `${p.standing}: ${p.found}`), p.do ? `. ${p.do}` : "")])));
}
