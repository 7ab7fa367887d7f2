"""What the service knows at this moment, for pages, API and metrics.

The worker thread pushes (ticks, alarms, journal, facts), the web server's threads and event loop read. Every
reader gets values that are replaced, never changed in place, so that nobody sees half a tick.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import msgspec
import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import Alarm
from hissmark.decode.columns import NOT_JUDGED, Batch
from hissmark.engine.layout import PROCESS, Layout
from hissmark.engine.readings import Tick
from hissmark.publish.alarm_shapes import alarm_shape, begins, journal_shape
from hissmark.publish.broadcast import RESYNC, Broadcaster
from hissmark.publish.pace import Pacer
from hissmark.publish.pulse import Chores, Pulse
from hissmark.publish.reading import live_reading, readings_of
from hissmark.publish.shapes import AlarmShape, GroupReading, JournalShape, LiveReading
from hissmark.publish.times import parse_rfc3339, rfc3339_or_none
from hissmark.publish.unsaved import Unsaved
from hissmark.store.records import JournalRow

NEWEST_ENTRIES = 200
"""How many journal entries are held for the pages."""
GROUPS_AN_EVENT = 100
"""Readings that travel together: a tick of a large plant is a few events, not thousands."""


class Clock(Protocol):
    """The service's clock (wall clock, or the demo's faster one)."""

    def now_us(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Health:
    """Facts about the service itself. Times are of the service's clock, 0 before the first.

    Attributes:
        connected: whether the broker connection stands. broker: where, for people.
        subscribed: whether the broker has answered for the subscriptions on this connection.
        filters_refused: how many of them it did not grant as asked.
        session_losses: reconnects at which the broker had forgotten what it held for the service.
        worker_alive: whether the thread that judges and stores is alive.
        last_message_us: receipt of the newest message. last_commit_us: newest commit.
        queue_messages, queue_bytes: what waits between broker and store.
        paused: the queue is full, so that nothing is read from the broker.
        clock_set_us, clock_set_by_s: when the machine's clock was last set, and by how much (negative: back).
        database_bytes: size of the database; None if not known.
        trouble: what is wrong with the store, in a sentence; empty if nothing is.
        broker_trouble: the same of the broker: why there is no connection, or what it refused.
    """

    connected: bool = False
    subscribed: bool = False
    filters_refused: int = 0
    session_losses: int = 0
    broker: str = ""
    worker_alive: bool = False
    last_message_us: int = 0
    last_commit_us: int = 0
    queue_messages: int = 0
    queue_bytes: int = 0
    paused: bool = False
    clock_set_us: int = 0
    clock_set_by_s: float = 0.0
    database_bytes: int | None = None
    trouble: str = ""
    broker_trouble: str = ""


class LiveState:
    """The latest of everything, and the broadcast of changes. Any thread may call any method."""

    def __init__(self, layout: Layout, clock: Clock, *, broadcaster: Broadcaster | None = None) -> None:
        self.clock = clock
        self.broadcast = broadcaster or Broadcaster()
        self.unsaved = Unsaved()
        self.pulse = Pulse()
        self.pacer = Pacer(clock.now_us)
        self.chores = Chores()
        self.worth_said: Callable[[str], str] = lambda valve: ""
        self.worth_begins: Callable[[str], str] = lambda valve: ""
        self._lock = threading.Lock()
        self._readings: dict[str, GroupReading] = {}
        self._lay_out(layout)
        self._alarms: dict[tuple[str, str], Alarm] = {}
        self._told: dict[tuple[str, str], dict[str, object]] = {}
        self._journal: deque[JournalShape] = deque(maxlen=NEWEST_ENTRIES)
        self._health = Health()

    def _lay_out(self, layout: Layout) -> None:
        """Arrays over channels and groups, empty."""
        self.layout = layout
        self._group_of = {name: i for i, name in enumerate(layout.group_names)}
        self._channel_of_series = _channel_of_series(layout)
        self._heard_us = np.zeros(len(layout.channels), np.int64)
        self._interval_s = np.array([c.interval_s or 0.0 for c in layout.channels], np.float64)
        self._fresh = np.zeros(len(layout.group_names), np.bool_)

    # What the worker pushes.

    def use_layout(self, layout: Layout) -> None:
        """From now on another register is in force; the pages are told to look at everything anew.

        A group whose sensors sit as they did keeps its reading, others wait for their next tick.
        """
        with self._lock:
            before, heard_us = _places(self.layout), self._last_heard()
            self._lay_out(layout)
            self._heard_us[:] = [heard_us.get(c.name, 0) for c in layout.channels]
            unchanged = {g for g, sensors in _places(layout).items() if before.get(g) == sensors}
            self._readings = {g: reading for g, reading in self._readings.items() if g in unchanged}
            for reading in self._readings.values():
                self._note_reading(reading)
        self._send(RESYNC, {})

    def restore(
        self, readings: Iterable[GroupReading], alarms: Sequence[Alarm], journal: Sequence[JournalRow] = ()
    ) -> None:
        """At start: what the store knows from before. Groups that are no longer as they were are left out."""
        with self._lock:
            places = _places(self.layout)
            self._readings = {r["group"]: r for r in readings if places.get(r["group"]) == _placed(r)}
            for reading in self._readings.values():
                self._note_reading(reading)
            self._alarms = {(a.valve, a.alarm): a for a in alarms}
            self._journal.extend(journal_shape(row) for row in journal)

    def heard(self, batch: Batch) -> None:
        """Samples that were stored: keeps when each channel was last heard (the tick comes later)."""
        told = (batch.flags & NOT_JUDGED) == 0
        channels = self._channel_of_series[batch.series[told]]
        level = channels >= 0
        with self._lock:
            np.maximum.at(self._heard_us, channels[level], batch.time_us[told][level])

    def tick(self, tick: Tick) -> None:
        """A closed tick: replaces the readings of its groups and tells the pages."""
        readings = list(readings_of(self.layout, tick))
        with self._lock:
            for reading in readings:
                self._readings[reading["group"]] = reading
                self._note_reading(reading)
        for begin in range(0, len(readings), GROUPS_AN_EVENT):
            some = [r["group"] for r in readings[begin : begin + GROUPS_AN_EVENT]]
            self._send("readings", {"groups": self.live_readings(some)})
        told = {r["group"] for r in readings}
        self._tell_alarms([a for a in self.active() if a.group in told], [])

    def alarms(self, alarms: Sequence[Alarm]) -> None:
        """Every alarm that is not at rest now. The pages are told only what changed."""
        fresh = {(a.valve, a.alarm.value): a for a in alarms}
        with self._lock:
            before, self._alarms = self._alarms, dict(fresh)
        changed = [a for key, a in fresh.items() if before.get(key) != a]
        self._tell_alarms(changed, [key for key in before if key not in fresh])

    def journal(self, rows: Sequence[JournalRow]) -> None:
        """New journal entries as they were stored, oldest first."""
        if not rows:
            return
        entries = [
            journal_shape(row, self.worth_begins(row.entry.valve) if begins(row) else "") for row in rows
        ]
        with self._lock:
            self._journal.extend(entries)
        self._send("journal", {"entries": entries[-NEWEST_ENTRIES:]})

    def report(self, **facts: Any) -> None:
        """Change some facts of `Health`; they travel with the next heartbeat."""
        with self._lock:
            self._health = replace(self._health, **facts)

    # What pages, API and metrics read.

    @property
    def health(self) -> Health:
        with self._lock:
            return self._health

    def reading(self, group: str) -> GroupReading | None:
        with self._lock:
            return self._readings.get(group)

    def readings(self) -> list[GroupReading]:
        """The latest reading of every group that has one, in register order."""
        with self._lock:
            return [self._readings[g] for g in self.layout.group_names if g in self._readings]

    def reading_json(self, group: str) -> LiveReading | None:
        """The reading of a group as it is served; None before its first tick."""
        reading = self.reading(group)
        return None if reading is None else self.live_reading(reading)

    def live_reading(self, reading: GroupReading) -> LiveReading:
        now_us = self.clock.now_us()
        newest_us, fresh = self.freshness(reading["group"], now_us)
        return live_reading(reading, newest_us, fresh, now_us)

    def live_readings(self, groups: Iterable[str]) -> list[LiveReading]:
        """The same of many groups at once, without those that have no reading yet."""
        now_us = self.clock.now_us()
        newest_us, fresh = self._freshness(now_us)
        found = []
        for group in groups:
            reading, g = self.reading(group), self._group_of[group]
            if reading is not None:
                found.append(live_reading(reading, int(newest_us[g]), bool(fresh[g]), now_us))
        return found

    def freshness(self, group: str, now_us: int) -> tuple[int, bool]:
        """The newest sample of a group, and whether any of its channels is within its stale limit."""
        with self._lock:
            newest_us, fresh = self._freshness(now_us)
            index = self._group_of.get(group)
        return (0, False) if index is None else (int(newest_us[index]), bool(fresh[index]))

    def watch_freshness(self) -> None:
        """Tell the pages which groups have fallen silent or are heard again; called every second."""
        with self._lock:
            newest_us, fresh = self._freshness(self.clock.now_us())
            changed, names = np.flatnonzero(fresh != self._fresh), self.layout.group_names
            self._fresh = fresh
        if len(changed):
            rows = [
                {
                    "group": names[i],
                    "fresh": bool(fresh[i]),
                    "last_heard": rfc3339_or_none(int(newest_us[i])),
                }
                for i in changed.tolist()
            ]
            self._send("fresh", {"groups": rows})

    def _freshness(self, now_us: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
        """int64[groups] newest sample, bool[groups] whether one is within its limit (lock held)."""
        stale_s = np.maximum(float(self.layout.settings.signal.stale_s), 3.0 * self._interval_s)
        age_us = now_us - self._heard_us
        # What lies ahead of the clock is judged no more than it is fresh: the clock was set back.
        ahead_us = self.layout.settings.signal.max_ahead_s * 1e6
        fresh = (self._heard_us > 0) & (age_us <= stale_s * 1e6) & (age_us >= -ahead_us)
        starts = self.layout.first
        if not len(starts):
            return self._heard_us.copy(), fresh
        return np.maximum.reduceat(self._heard_us, starts), np.logical_or.reduceat(fresh, starts)

    def heard_us(self) -> npt.NDArray[np.int64]:
        """int64[channels]: time of the newest sample of each channel, 0 if none."""
        with self._lock:
            return self._heard_us.copy()

    def last_heard(self) -> dict[str, int]:
        """Channel -> time of its newest sample, 0 if none."""
        with self._lock:
            return self._last_heard()

    def _last_heard(self) -> dict[str, int]:
        return dict(zip((c.name for c in self.layout.channels), self._heard_us.tolist(), strict=True))

    def active(self) -> list[Alarm]:
        """Every alarm that is not at rest: unacknowledged first, then by priority, then the newest."""
        with self._lock:
            rows = list(self._alarms.values())
        return sorted(rows, key=urgency)

    def alarms_json(self) -> list[AlarmShape]:
        return [self._shape(alarm) for alarm in self.active()]

    def sentence_of(self, alarm: Alarm) -> str:
        """An alarm in words, as of now."""
        return self._shape(alarm)["sentence"]

    def journal_json(self) -> list[JournalShape]:
        """The newest journal entries, newest first."""
        with self._lock:
            return list(reversed(self._journal))

    def _tell_alarms(self, alarms: Sequence[Alarm], gone: Sequence[tuple[str, str]]) -> None:
        """Tell the pages of alarms that read differently than when last told (a rise or spill may move)."""
        shapes = {(a.valve, a.alarm.value): self._shape(a) for a in alarms}
        with self._lock:
            changed = []
            for key, shape in shapes.items():
                said = {name: value for name, value in shape.items() if name != "sentence"}  # ages run
                if self._told.get(key) != said:
                    self._told[key] = said
                    changed.append(shape)
            for key in gone:
                self._told.pop(key, None)
        if changed or gone:
            self._send("alarms", {"changed": changed, "gone": [list(key) for key in gone]})

    def _shape(self, alarm: Alarm) -> AlarmShape:
        return alarm_shape(
            alarm, self.reading(alarm.group), self.clock.now_us(), self.worth_said(alarm.valve)
        )

    def _note_reading(self, reading: GroupReading) -> None:
        """Take over from a reading when its channels were heard and how often they measure (lock held)."""
        first = int(self.layout.first[self._group_of[reading["group"]]])
        names = {c.name: first + i for i, c in enumerate(self.layout.register.groups[reading["group"]])}
        for row in reading["channels"]:
            i = names.get(row["channel"])
            if i is None:
                continue
            if row["last_heard"]:
                self._heard_us[i] = max(self._heard_us[i], parse_rfc3339(row["last_heard"]))
            if row["interval_s"]:
                self._interval_s[i] = row["interval_s"]

    def _send(self, kind: str, data: Mapping[str, Any]) -> None:
        self.broadcast.send(kind, msgspec.json.encode(data))


_STATE_RANK = {"unacknowledged": 0, "rtn-unacknowledged": 1, "acknowledged": 2}
_PRIORITY_RANK = {"high": 0, "medium": 1, "low": 2}


def urgency(alarm: Alarm) -> tuple[int, int, int]:
    """Sort key: unacknowledged first, then by priority, then the newest."""
    return (_STATE_RANK.get(alarm.state, 3), _PRIORITY_RANK[alarm.priority], -alarm.raised_us)


def _places(layout: Layout) -> dict[str, list[tuple[str, str]]]:
    """Group -> its sensors and what they sit on, in pipe order."""
    return {g: [(c.name, c.subject) for c in rows] for g, rows in layout.register.groups.items()}


def _placed(reading: GroupReading) -> list[tuple[str, str]]:
    return [(c["channel"], c["valve"] or c["channel"]) for c in reading["channels"]]


def _channel_of_series(layout: Layout) -> npt.NDArray[np.int32]:
    """int32[names]: the channel that a level series belongs to, -1 for process values."""
    found = np.full(len(layout.names), -1, np.int32)
    level = layout.input_role != PROCESS
    found[layout.input_series[level]] = layout.input_channel[level]
    return found
