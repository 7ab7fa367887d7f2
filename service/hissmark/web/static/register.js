// Register: what is in force, a table looked at before it comes into force, names that nobody has registered.

import { signedInAs } from "./account.js";
import { ask, counted, h } from "./dom.js";
import { commissioning } from "./register-check.js";
import { preview } from "./register-preview.js";
import { channels, strangers } from "./register-rows.js";
import { versions } from "./register-versions.js";
import { timeElement } from "./time.js";

/** Engineers and administrators change it; where nobody signs in, everybody may. */
export const mayChange = () => !signedInAs() || ["engineer", "administrator"].includes(document.documentElement.dataset.role);

export function registerPage(page) {
  const told = h("div", {});
  const looked = h("section", { class: "panel looked", "aria-labelledby": "looked-title", tabindex: "-1", hidden: true });
  const parts = [strangers, commissioning, channels, versions].map((make) => make({ look }));
  const file = h("input", { type: "file", id: "table-file", accept: ".csv,.txt,.tsv,text/csv", onchange: () => file.files[0] && read(file.files[0]) });
  const drop = h("div", { class: "drop" },
    h("label", { for: "table-file" }, "A CSV as your spreadsheet saves it:"), file,
    h("p", { class: "advice" }, "Commas, semicolons or tabs, decimal commas, any usual encoding. It is only looked at: nothing changes before you say so."));
  drop.addEventListener("dragover", (event) => event.preventDefault());
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files[0]) read(event.dataTransfer.files[0]);
  });
  page.replaceChildren(
    h("section", { class: "panel", "aria-labelledby": "register-title" }, h("h1", { id: "register-title" }, "Register"), told),
    h("section", { class: "panel", "aria-labelledby": "import-title" }, h("h2", { id: "import-title" }, "Import a table"), drop),
    looked, ...parts.map((part) => part.element));

  async function read(chosen) {
    await look(`/api/v1/register/look?file=${encodeURIComponent(chosen.name)}`,
      { method: "POST", headers: { "Content-Type": "text/csv" }, body: chosen }, "imported", chosen.name);
    file.value = "";
  }

  /** Look at a register before it is in force. `how` is what goes on record, `what` names it. */
  async function look(path, options, how, what) {
    looked.hidden = false;
    looked.replaceChildren(h("p", { class: "loading" }, `Looking at ${what}…`));
    try {
      preview(looked, await ask(path, options), how, what, refresh);
    } catch (error) {
      looked.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
    }
    looked.scrollIntoView({ block: "nearest" });
    looked.focus({ preventScroll: true });
  }

  async function refresh() {
    try {
      inForce(told, await ask("/api/v1/register"));
    } catch (error) {
      told.replaceChildren(h("p", { class: "trouble", role: "alert" }, error.message));
      return;
    }
    for (const part of parts) part.refresh();
  }
  refresh();
  return (kind) => kind === "all" && refresh();
}

function inForce(place, { version, waiting, channels: count, valves, groups }) {
  const since = version && [`Version ${version.version}, ${version.how}`, version.operator && ` by ${version.operator}`,
    ", in force since ", timeElement(version.in_force, "at"), version.comment && `: “${version.comment}”`, "."];
  place.replaceChildren(
    h("p", {}, `${counted(count, "channel")} on ${counted(valves, "valve")} and ${counted(count - valves, "reference point")}, in ${counted(groups.length, "group")}. `, since),
    waiting ? h("p", { class: "trouble" }, `Version ${waiting.version} of ${waiting.operator || "register.csv"} waits to come into force.`) : "",
    h("p", { class: "row" },
      h("a", { class: "button", href: "/api/v1/register/export", download: "register.csv" }, "Export as CSV"),
      h("a", { class: "button", href: "/baselines" }, "Baselines in hand")));
}
