// The settings in force for a valve, now or at the moment looked at: which level gives each, and who put it live.

import { ask, h } from "./dom.js";
import { mayChange } from "./register.js";
import { iso } from "./spans.js";
import { table } from "./table.js";

const COLUMNS = [
  { name: "Setting", value: (x) => x.setting },
  { name: "Value", value: (x) => x.value, cell: (x) => `${x.value}${x.unit ? ` ${x.unit}` : ""}` },
  { name: "From", value: (x) => x.level, cell: (x) => from(x) },
];
const from = (x) => (x.version === null ? "site.toml" : `${x.level === "site" ? "the site" : `${x.level} ${x.subject}`}, version ${x.version}`);

export class SettingsThen {
  constructor(tag, open) {
    this.tag = tag;
    this.summary = h("summary", {}, "Settings in force");
    this.body = h("div", { class: "table-wrap" });
    this.node = h("details", { class: "settings-then", open, ontoggle: () => this.node.open && this.load() }, this.summary, this.body);
    this.toShow = open;
  }

  /** At a moment in ms, null for now. Asks only when the moment has changed or somebody unfolds it. */
  at(ms) {
    if (this.shown === ms) return;
    this.shown = ms;
    this.load();
  }

  async load() {
    const ms = this.shown;
    try {
      const { settings } = await ask(`/api/v1/settings/tuned?valve=${encodeURIComponent(this.tag)}${ms === null ? "" : `&at=${iso(ms)}`}`);
      if (ms !== this.shown) return;
      this.draw(settings, ms);
    } catch (error) {
      this.body.replaceChildren(h("p", { class: "trouble" }, error.message));
    }
  }

  draw(settings, ms) {
    const tuned = settings.filter((x) => x.version !== null);
    this.summary.textContent = `Settings in force ${ms === null ? "now" : "then"}: ${tuned.length ? `${tuned.length} tuned` : "as in site.toml"}`;
    this.body.replaceChildren(
      table(COLUMNS, [...tuned, ...settings.filter((x) => x.version === null)], { name: "settings", caption: `Of ${this.tag}; what is tuned first` }),
      mayChange() ? h("p", {}, h("a", { href: `/tuning?valve=${encodeURIComponent(this.tag)}` }, "Try others on what is stored")) : "");
    if (this.toShow) this.node.scrollIntoView({ block: "nearest" });
    this.toShow = false;
  }
}
