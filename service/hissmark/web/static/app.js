// The frame around the pages: which one the address means, the header, and never looking calm when blind.

import { h } from "./dom.js";
import { groupPage } from "./group.js";
import { installKeys } from "./keys.js";
import { findValve, isBlind, isPast, lastKnown, listen, live, silentSeconds, sortedAlarms, start } from "./live.js";
import { nowPage } from "./now.js";
import { installPast, iso, pastMoment, redrawPast, tell, travel, TRAVELS } from "./past.js";
import { hearAlarms, installSound } from "./sound.js";
import { ageText, clockSeconds, inUtc, serviceNow, toggleZone, zoneName } from "./time.js";

// What an alarm leads to is here at once; the other pages (and their styles) come when somebody goes there.
const PAGES = {
  "": nowPage,
  group: groupPage,
  valve: () => import("./valve.js").then((m) => m.valvePage),
  journal: () => import("./journal.js").then((m) => m.journalPage),
  figures: () => styled("figures.css", import("./figures.js")).then((m) => m.figuresPage),
  handover: () => styled("figures.css", import("./handover.js")).then((m) => m.handoverPage),
  sensors: () => import("./sensors.js").then((m) => m.sensorsPage),
  register: () => styled("register.css", import("./register.js")).then((m) => m.registerPage),
  baselines: () => styled("register.css", import("./baselines.js")).then((m) => m.baselinesPage),
  repairs: () => styled("repairs.css", import("./repairs.js")).then((m) => m.repairsPage),
  tuning: () => styled("tuning.css", import("./tuning.js")).then((m) => m.tuningPage),
};
const AT_ONCE = new Set(["", "group"]);
const IN_PLACE = new Set(["", "group", "valve"]); // they follow a step through time without being built anew
const page = document.getElementById("page");
let update = () => {};
let title = "";

let shown = 0;

async function show() {
  update.leave?.();
  update = () => {};
  const turn = ++shown;
  const [kind, ...rest] = location.pathname.slice(1).split("/");
  const name = decodeURIComponent(rest.join("/"));
  markHere(kind);
  title = name;
  headline();
  const [make] = await Promise.all([maker(kind), travelled(kind, name)]);
  if (turn !== shown || !make) return; // somebody went elsewhere meanwhile
  update = make(page, name, new URLSearchParams(location.search), go) ?? (() => {});
}

/** To the moment in the address. Only what the page needs is fetched of it. */
async function travelled(kind, name) {
  const ms = TRAVELS.has(kind) ? Date.parse(new URLSearchParams(location.search).get("at")) : NaN;
  document.getElementById("look-back").hidden = !TRAVELS.has(kind);
  const group = { group: name, valve: kind === "valve" && findValve(name, live)?.reading.group }[kind];
  try {
    return await travel(Number.isNaN(ms) || ms >= serviceNow() ? null : ms, group);
  } catch (error) {
    document.getElementById("banner").hidden = false;
    document.getElementById("banner").textContent = `The past could not be fetched: ${error.message}`;
    return true;
  } finally {
    headline();
    drawLink();
  }
}

/** Move along time: the pages that are at hand redraw where they are, so that the eye sees what changes. */
async function move(ms) {
  const query = new URLSearchParams(location.search);
  if (ms === null) query.delete("at");
  else query.set("at", iso(ms));
  const search = query.toString().replaceAll("%3A", ":");
  history[pastMoment() === null ? "pushState" : "replaceState"](null, "", location.pathname + (search && `?${search}`));
  const [kind, ...rest] = location.pathname.slice(1).split("/");
  if (!IN_PLACE.has(kind)) return show();
  if (await travelled(kind, decodeURIComponent(rest.join("/")))) update("all");
}

/** Links of a page that looks back stay in the past, where the page they lead to can. */
function staying(path) {
  const address = new URL(path, location.origin);
  const kind = address.pathname.slice(1).split("/")[0];
  if (pastMoment() === null || !TRAVELS.has(kind) || address.searchParams.has("at")) return path;
  return `${path}${address.search ? "&" : "?"}at=${iso(pastMoment())}`;
}

/** The function that fills a page; null (said on the page) if its file cannot be fetched. */
async function maker(kind) {
  const known = kind in PAGES ? kind : "";
  if (AT_ONCE.has(known)) return PAGES[known];
  try {
    return await PAGES[known]();
  } catch {
    page.replaceChildren(h("p", { class: "loading" }, "This page could not be fetched from the service. Try again when the connection is back."));
    return null;
  }
}

/** A module together with the stylesheet that its page needs. */
function styled(sheet, module) {
  const href = `/static/${sheet}`;
  if (document.querySelector(`link[href="${href}"]`)) return module;
  const link = h("link", { rel: "stylesheet", href });
  const loaded = new Promise((done) => link.addEventListener("load", done, { once: true }));
  link.addEventListener("error", () => link.remove());
  document.head.append(link);
  return Promise.all([module, Promise.race([loaded, new Promise((done) => setTimeout(done, 2000))])]).then(([m]) => m);
}

function markHere(kind) {
  for (const link of document.querySelectorAll("header nav a")) {
    const here = link.dataset.page === (kind || "now");
    if (here) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
}

function headline() {
  const open = sortedAlarms((a) => a.state === "unacknowledged", live).length;
  const mark = `${isBlind() ? "blind · " : open ? `(${open}) ` : ""}${isPast() ? "past · " : ""}`;
  document.title = `${mark}${title ? `${title} · ` : ""}${live.site} · hissmark`;
}

/** To another page without losing the live connection. */
export function go(to) {
  const path = staying(to);
  if (path !== location.pathname + location.search) history.pushState(null, "", path);
  if (!live.ready) return;
  show();
  window.scrollTo(0, 0);
  page.focus({ preventScroll: true });
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[href]");
  if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
  const href = link.getAttribute("href");
  if (!href.startsWith("/") || href.startsWith("/api/") || link.hasAttribute("download")) return;
  event.preventDefault();
  go(href);
});
window.addEventListener("popstate", () => live.ready && show());

function drawHead() {
  document.getElementById("site").replaceChildren(live.site || "hissmark", live.demo ? h("small", {}, "demo: an invented plant") : "");
  document.getElementById("about").textContent = `hissmark ${live.version}`;
  drawLink();
}

function drawLink() {
  const state = document.getElementById("link-state");
  const zone = document.getElementById("zone");
  zone.textContent = inUtc() ? "UTC" : zoneName().split("/").at(-1).replaceAll("_", " ");
  zone.title = `Times in ${zoneName()}; U changes between your zone and UTC`;
  const banner = document.getElementById("banner");
  const trouble = troubles();
  document.documentElement.classList.toggle("blind", isBlind());
  state.textContent = isBlind() ? "not live" : isPast() ? "looking back" : live.ready ? `live ${clockSeconds(serviceNow())}` : "connecting";
  banner.hidden = !trouble;
  if (banner.textContent !== trouble) banner.textContent = trouble;
}

function troubles() {
  if (isBlind()) {
    return `This page has not heard from the service for ${ageText(silentSeconds())}. It shows what was known at ${clockSeconds(lastKnown())}. It keeps trying.`;
  }
  const pulse = live.pulse;
  if (!pulse) return "";
  if (!pulse.worker_alive) return "The service has stopped judging. What is shown is old. Tell whoever runs hissmark.";
  if (!pulse.connected) return `The service has lost the broker${pulse.broker ? ` ${pulse.broker}` : ""}: no new data. ${pulse.trouble}`.trim();
  return pulse.trouble;
}

function theme() {
  const chosen = localStorage.getItem("hissmark.theme");
  if (chosen) document.documentElement.dataset.theme = chosen;
  const dark = chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  const button = document.getElementById("theme");
  button.textContent = dark ? "Light" : "Dark";
  button.onclick = () => {
    localStorage.setItem("hissmark.theme", dark ? "light" : "dark");
    theme();
    update("theme");
  };
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  theme();
  update("theme");
});

function zone() {
  toggleZone();
  redrawPast();
  drawLink();
  update("zone");
}

listen((kind, detail) => {
  if (kind === "all" || kind === "alarms") hearAlarms();
  if (kind === "alarms") tell();
  if (kind === "all") {
    drawHead();
    if (!show.done) show();
    else if (!isPast()) update(kind, detail);
    show.done = true;
    return;
  }
  if (kind === "sight" || kind === "pulse") drawLink();
  if (kind === "alarms" || kind === "sight") headline();
  if (!isPast()) update(kind, detail); // the past stays as it was
});
setInterval(drawLink, 1000);
document.getElementById("zone").addEventListener("click", zone);
installKeys({ go, zone, extra: (event) => update.key?.(event) ?? false });
theme();
installPast(move);
installSound();
start();
page.replaceChildren(h("p", { class: "loading" }, "Asking the service…"));
setTimeout(() => import("./valve.js").catch(() => {}), 3000); // at hand should the connection be lost
