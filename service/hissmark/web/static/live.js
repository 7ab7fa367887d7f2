// The live state as this page knows it: one snapshot, then events. Says so when it knows nothing any more.

import { ask } from "./dom.js";
import { setServiceTime } from "./time.js";

export const BLIND_AFTER_MS = 5000;

export const live = {
  site: "", demo: false, version: "", pulse: null, groupNames: [], groups: new Map(), alarms: new Map(),
  journal: [], ready: false, maxShelve: 0, tickS: 60,
};
let then = null; // what was shown at a past moment, while the page looks back

/** What the page shows: the live state, or that of a past moment. */
export const view = () => then ?? live;
export const isPast = () => then !== null;

/** Look at a snapshot of the past; null: at now again. */
export function lookAt(snapshot) {
  then = snapshot && { ...tables(snapshot), journal: snapshot.journal };
}

const tables = ({ groups, alarms }) => ({
  groups: new Map(groups.map((reading) => [reading.group, reading])),
  alarms: new Map(alarms.map((alarm) => [alarmKey(alarm), alarm])),
});

const listeners = new Set();
let port = null; // where events come from
let held = null; // events that came while the snapshot is on its way
let asking = false;
let contact = performance.now();
let joined = contact;
let blind = false;
let again = 0;
let retryMs = 1000;

export const alarmKey = (alarm) => `${alarm.valve}|${alarm.alarm}`;

/** Call `listener(kind, detail)` for every change; returns how to stop. */
export function listen(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

function tell(kind, detail) {
  for (const listener of [...listeners]) listener(kind, detail);
}

let changed = null; // groups that have changed since the page was last told
/** A tick of a large plant comes in pieces: the page is told once. */
function tellGroups(names) {
  changed ??= (setTimeout(() => {
    const all = changed;
    changed = null;
    tell("groups", all);
  }, 40), new Set());
  for (const name of names) changed.add(name);
}

export const isBlind = () => blind;
export const lastKnown = () => Date.parse(live.pulse?.now ?? 0);
export const silentSeconds = () => (performance.now() - contact) / 1000;

function touch(pulse) {
  contact = performance.now();
  if (pulse) {
    live.pulse = pulse;
    setServiceTime(pulse.now);
  }
  if (blind) {
    blind = false;
    tell("sight", { blind: false });
  }
}

const HANDLERS = {
  pulse(data) {
    touch(data);
    tell("pulse", data);
  },
  readings(data) {
    for (const reading of data.groups) live.groups.set(reading.group, reading);
    tellGroups(data.groups.map((reading) => reading.group));
  },
  fresh(data) {
    for (const row of data.groups) {
      const reading = live.groups.get(row.group);
      if (reading) live.groups.set(row.group, { ...reading, fresh: row.fresh, last_heard: row.last_heard });
    }
    tellGroups(data.groups.map((row) => row.group));
  },
  alarms(data) {
    for (const alarm of data.changed) live.alarms.set(alarmKey(alarm), alarm);
    for (const key of data.gone) live.alarms.delete(key.join("|"));
    tell("alarms", data);
  },
  journal(data) {
    live.journal = [...data.entries.slice().reverse(), ...live.journal].slice(0, 200);
    tell("journal", data);
  },
};

/** Fetch everything anew and go on listening from there. Tries again until it works. */
export function start() {
  clearTimeout(again);
  held = [];
  asking = false;
  joined = performance.now();
  port ??= connect();
  port.postMessage("join"); // the snapshot follows once the stream stands: so nothing falls between
}

function connect() {
  let end;
  if (window.SharedWorker) {
    end = new SharedWorker("/static/stream.js", { type: "module", name: "hissmark" }).port;
  } else {
    const { port1, port2 } = new MessageChannel();
    import("./stream.js").then(({ serve }) => serve(port2));
    end = port1;
  }
  end.onmessage = ({ data }) => hear(data);
  return end;
}

function hear(event) {
  if (event.kind === "closed") {
    // Perhaps nobody is signed in any more: asking leads to the page for that.
    later(() => ask("/api/v1/me").catch(() => 0).finally(start));
    return;
  }
  if (event.kind === "resync") {
    start();
    return;
  }
  if (event.kind !== "open") touch();
  if (!held) apply(event);
  else {
    held.push(event);
    if (!asking) fetchAll(held);
  }
}

function later(what) {
  clearTimeout(again);
  again = setTimeout(what, retryMs);
  retryMs = Math.min(retryMs * 2, 10000);
}

async function fetchAll(mine) {
  asking = true;
  try {
    const snapshot = await ask("/api/v1/now", { signal: AbortSignal.timeout(10000) });
    if (held === mine) take(snapshot);
  } catch {
    if (held === mine) later(start);
  }
}

function take(snapshot) {
  retryMs = 1000;
  Object.assign(live, {
    site: snapshot.site, demo: snapshot.demo, version: snapshot.version, groupNames: snapshot.group_names,
    ...tables(snapshot), journal: snapshot.journal, ready: true, maxShelve: snapshot.max_shelve_s,
    tickS: snapshot.tick_s,
  });
  touch(snapshot.pulse);
  tell("all");
  const waiting = held;
  held = null;
  for (const event of waiting) if (isAfter(event.id, snapshot.event)) apply(event);
}

/** Whether an event came after another; those of another run of the service are not comparable. */
function isAfter(id, other) {
  const [[run, number], [sameRun, before]] = [id, other].map((text = "") => text.split("-"));
  return run === sameRun && Number(number) > Number(before);
}

const apply = ({ kind, data }) => HANDLERS[kind]?.(JSON.parse(data));

addEventListener("pagehide", () => port?.postMessage("leave"));
addEventListener("pageshow", (event) => event.persisted && start());

setInterval(() => {
  if (!blind && performance.now() - contact > BLIND_AFTER_MS) {
    blind = true;
    tell("sight", { blind: true });
  }
  if (blind && performance.now() - Math.max(contact, joined) > 30000) {
    port.postMessage("leave"); // whoever holds the stream may have died
    port = null;
    start();
  }
}, 500);

/** The channel reading of a valve and its group, if known. */
export function findValve(tag, of = view()) {
  for (const reading of of.groups.values()) {
    const channel = reading.channels.find((c) => c.valve === tag);
    if (channel) return { channel, reading };
  }
  return null;
}

const RANK = { unacknowledged: 0, "rtn-unacknowledged": 1, acknowledged: 2 };
const PRIORITY = { high: 0, medium: 1, low: 2 };

/** Alarms in the order an operator needs them: those shown, or those `of` the live state. */
export function sortedAlarms(wanted = () => true, of = view()) {
  return [...of.alarms.values()].filter(wanted).sort(
    (a, b) =>
      (RANK[a.state] ?? 3) - (RANK[b.state] ?? 3) ||
      PRIORITY[a.priority] - PRIORITY[b.priority] ||
      b.raised_at.localeCompare(a.raised_at),
  );
}

/** Whether a valve has an active alarm in view: only then may it wear colour. */
export function isAlarmed(tag) {
  return [...view().alarms.values()].some((a) => a.valve === tag && a.active && (RANK[a.state] ?? 3) < 3 && a.alarm !== "sensor-fault");
}
