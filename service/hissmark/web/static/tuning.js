// Tuning: find out what settings would have done with what is stored, put them live with a reason, take them back.

import { post } from "./acts.js";
import { ask, h } from "./dom.js";
import { mayChange } from "./register.js";
import { compared } from "./tuning-compare.js";
import { Form } from "./tuning-form.js";
import { busiest } from "./tuning-start.js";
import { swept } from "./tuning-sweep.js";
import { versionsPanel } from "./tuning-versions.js";
import { timeElement } from "./time.js";

const ASK_MS = 400;
const GOING_ON = ["waiting", "running"];
const KINDS = { try: "other values", sweep: "a sweep", suggest: "a suggestion" };

export function tuningPage(page, _name, query) {
  if (!mayChange()) {
    page.replaceChildren(h("section", { class: "panel" }, h("h1", {}, "Tuning"), h("p", {}, "Trying and changing settings is for engineers and administrators. What is in force for a valve is on the valve's page.")));
    return () => {};
  }
  const view = new Tuning(page, query);
  const update = () => {};
  update.leave = () => { view.left = true; };
  return update;
}

class Tuning {
  constructor(page, query) {
    Object.assign(this, { left: false, turn: 0 });
    this.said = h("p", { role: "status", class: "tuning-said" });
    this.result = h("div", { class: "tuning-result" });
    this.trials = h("div", {});
    this.versions = versionsPanel();
    this.form = new Form(query, (body) => this.start(body));
    page.replaceChildren(h("div", { class: "tuning" },
      h("section", { class: "panel tuning-ask", "aria-labelledby": "tuning-title" },
        h("h1", { id: "tuning-title" }, "Tuning"),
        h("p", {}, "What would other settings have done with what this site has heard? Trying changes nothing: the past is judged again beside the running service."),
        this.form.node, this.said, this.trials),
      busiest((valve, setting) => this.form.take({ place: valve, setting })),
      this.result, this.versions.node));
    this.list();
    if (query.get("run")) this.show(query.get("run"));
  }

  async start(body) {
    this.result.replaceChildren();
    try {
      const run = await post("/api/v1/tuning/runs", body);
      history.replaceState(null, "", `/tuning?run=${run.id}`);
      await this.follow(run);
    } catch (error) {
      this.said.textContent = error.message;
    }
  }

  async show(number) {
    try {
      await this.follow(await ask(`/api/v1/tuning/runs/${encodeURIComponent(number)}`));
    } catch (error) {
      this.said.textContent = error.message;
    }
  }

  /** Until it is over: how far it is, with a way to end it. */
  async follow(first) {
    let run = first;
    const turn = ++this.turn;
    const share = h("progress", { max: 1, value: run.share, "aria-label": "How far the trial is" });
    const off = h("button", { type: "button", class: "quiet", onclick: () => post(`/api/v1/tuning/runs/${run.id}/call-off`, {}).catch(() => {}) }, "Call off");
    if (GOING_ON.includes(run.state)) this.said.replaceChildren(run.state === "waiting" ? "Waiting for its turn… " : "Judging the past again… ", share, " ", off);
    while (GOING_ON.includes(run.state)) {
      await new Promise((done) => setTimeout(done, ASK_MS));
      if (this.left || turn !== this.turn) return;
      run = await ask(`/api/v1/tuning/runs/${run.id}`);
      share.value = run.share;
    }
    this.over(run);
  }

  over(run) {
    this.list();
    if (run.state !== "done") {
      this.said.textContent = run.state === "called off" ? "The trial was called off." : `The trial failed: ${run.message}`;
      return;
    }
    this.said.textContent = run.result.basis.sentence;
    const published = () => this.versions.draw();
    const further = (values) => this.form.take({ place: run.request.subject, kind: "try", values, ...period(run.request) }, true);
    this.result.replaceChildren(run.request.kind === "try" ? compared(run.result, published) : swept(run.result, further));
    this.result.scrollIntoView({ block: "start", behavior: "instant" });
  }

  /** Trials of before, while the service keeps them. */
  async list() {
    const { runs } = await ask("/api/v1/tuning/runs").catch(() => ({ runs: [] }));
    if (!runs.length) return;
    const words = (run) => [KINDS[run.request.kind], " for ", run.request.subject || run.request.settings[0]?.subject || "the whole site", `, ${what(run.request)}`];
    this.trials.replaceChildren(h("details", { class: "tuning-trials" }, h("summary", {}, `Trials so far: ${runs.length}`),
      h("ul", {}, runs.slice(0, 20).map((run) => h("li", {}, h("a", { href: `/tuning?run=${run.id}` }, `Trial ${run.id}`), ": ", words(run),
        ` (${run.state}${run.author ? `, ${run.author}` : ""}, `, timeElement(run.asked, "ago"), ")")))));
  }
}

const period = ({ from, to }) => ({ from: Date.parse(from), to: Date.parse(to) });
const what = (request) => request.kind === "suggest" ? `at most ${request.budget} false alarms in a valve and year`
  : request.kind === "sweep" ? request.axes.map((axis) => axis.setting).join(" and ")
    : request.settings.flatMap((s) => Object.entries(s.values).map(([name, value]) => `${name} ${value}`)).join(", ");
