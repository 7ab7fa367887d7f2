// Why the program believes it, and what would change its mind: the story of a verdict, asked of the service.

import { ask, decibels, h, number, s } from "./dom.js";
import { isPast } from "./live.js";
import { iso, pastMoment } from "./past.js";

const AGAIN_MS = 10000; // a story is asked for at most this often while ticks come
const SHOWN = 5;
const FAR = 20; // an explanation this far behind has no bar left

/** A panel that keeps the story of one valve; a redraw of its page leaves it as it is. */
export class Why {
  constructor() {
    this.node = h("div", { class: "why" });
    this.open = false;
    this.asked = "";
    this.due = 0;
  }

  /** Of a valve at the tick `at`: asks again when the valve, the moment or the tick has changed. */
  async of(tag, at) {
    const wanted = `${tag} ${isPast() ? pastMoment() : at}`;
    if (!tag || !at) return this.node.replaceChildren();
    if (wanted === this.asked || (this.tag === tag && !isPast() && performance.now() < this.due)) return;
    Object.assign(this, { asked: wanted, tag, due: performance.now() + AGAIN_MS });
    const query = pastMoment() === null ? "" : `?at=${iso(pastMoment())}`;
    try {
      const story = await ask(`/api/v1/valves/${encodeURIComponent(tag)}/explain${query}`);
      if (wanted === this.asked) this.draw(story);
    } catch (error) {
      const said = error.status === 404 ? "The reasons are not on record for this moment." : error.message;
      if (wanted === this.asked) this.node.replaceChildren(h("h2", {}, "Why"), h("p", { class: "none" }, said));
    }
  }

  draw(story) {
    const more = h("details", { open: this.open, ontoggle: () => { this.open = more.open; } },
      h("summary", {}, "The whole story"), story.sentences.slice(1).map((text) => h("p", {}, text)));
    this.node.replaceChildren(
      h("h2", {}, `Why ${story.valve} is ${story.verdict}`), compared(story),
      story.basis === "history" ? h("p", { class: "advice" }, "Compared anew from the levels on record, with losses along the pipe as they are known now.") : "",
      h("h3", {}, "What would change its mind"), changes(story), background(story.background), more);
  }
}

/** Explanations as bars: the best is full, the others shorter by how far they are behind. */
function compared(story) {
  return h("ol", { class: "compared", "aria-label": "Explanations, the best first" },
    story.explanations.slice(0, SHOWN).map((e, i) => h("li", {},
      h("span", { class: "words" }, e.words),
      s("svg", { viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" },
        s("rect", { class: i ? "" : "best", width: Math.max(1, 100 * (1 - Math.min(e.behind, FAR) / FAR)), height: 8 })),
      h("span", { class: "behind" }, i ? `${number(e.behind, 1)} behind` : "fits best"))),
    h("li", { class: "unit" }, "natural log of how much better the best one fits"));
}

function changes(story) {
  if (!story.would_change.length) return h("p", { class: "none" }, "Nothing short of other levels.");
  return h("ul", { class: "wants" }, story.wants.map((want) => h("li", {}, want.sentence, gauge(want))));
}

/** How far a limit is from being met, where it is reached from below. */
function gauge({ what, have, need }) {
  if (have === null || !need || have > need || what.startsWith("ends")) return "";
  return s("svg", { class: "gauge", viewBox: "0 0 100 6", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { class: "whole", width: 100, height: 6 }), s("rect", { width: Math.max(0, Math.min(100, (100 * have) / need)), height: 6 }));
}

function background(b) {
  const where = b.condition ? `in ${b.condition}` : b.by_tags ? "in ordinary operation" : b.modes > 1 ? `in operating condition ${b.mode + 1} of ${b.modes}` : "";
  const said = b.baseline_db === null ? `still being learned: ${b.windows} of ${b.windows_wanted} windows`
    : `${decibels(b.baseline_db)} ± ${number(b.scale_db, 1)}${where && ` ${where}`}, from ${b.windows} windows, ${b.state}`;
  return h("p", { class: "background" }, h("strong", {}, "Background: "), said, Math.abs(b.drifted_db ?? 0) >= 0.05 ? `, ${decibels(b.drifted_db, true)} since its anchor` : "", ".");
}
