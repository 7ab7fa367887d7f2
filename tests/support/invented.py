"""An invented plant for tests of what people see: readings are made by hand, store and web side are real.

No broker and no judgement here: `Invented.tick` takes the place of the engine, everything behind it is the
real thing (SQLite store, live state, web application).
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from hissmark.alarms.bank import TRIGGER_OF
from hissmark.alarms.journal import (
    ActionKind,
    ActionRequest,
    Alarm,
    AlarmEvent,
    AlarmKind,
    AlarmState,
    JournalEntry,
    Priority,
)
from hissmark.alarms.states import transition
from hissmark.appraise.appraiser import Appraiser
from hissmark.appraise.desk import WorthDesk
from hissmark.decode.columns import Batch
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Channel, Condition, Register
from hissmark.engine.settings import CoreSettings, RepairSettings
from hissmark.engine.telling import Story
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, SensorHealth, Verdict
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.publish.shapes import GroupReading
from hissmark.repairs.build import desk_of
from hissmark.store import Writer, open_for_actions, open_for_reading, open_store
from hissmark.store.actions import record_action
from hissmark.store.archive.holds import HoldDesk
from hissmark.store.letters import LetterBox
from hissmark.store.notes import ShiftNote, add_note
from hissmark.store.reader import Reader
from hissmark.store.ticked import of_tick
from hissmark.web import ActionOutcome, WebContext
from hissmark.web.past import readings_at
from support.invented_story import story_of
from support.invented_upkeep import Upkeep

START_US = 1_772_330_400_000_000  # 2026-03-01T02:00:00Z
MINUTE_US = 60_000_000
STORE_URL = "sqlite:///data/hissmark.db"


@dataclass
class SetClock:
    """A service clock that stands where the test put it, or runs from there."""

    at_us: int = START_US
    read: Callable[[], int] | None = None

    def now_us(self) -> int:
        return self.read() if self.read else self.at_us


@dataclass(frozen=True)
class Heard:
    """What one channel says: rise over its baseline (dB; None for no data) and the rest of a reading."""

    rise_db: float | None = 0.3
    baseline_db: float = 24.0
    verdict: Verdict = Verdict.QUIET
    reason: Reason = Reason.AT_BACKGROUND
    expected_db: float | None = None  # rise that the explanation expects
    open: bool = False
    health: SensorHealth = SensorHealth.WELL
    difference_bar: float = 31.0


@dataclass(frozen=True)
class Scene:
    """What one group says."""

    heard: tuple[Heard, ...]
    explanation: Explanation = Explanation.NOTHING
    source: int = -1
    second: int = -1
    margin_db: float = math.nan
    next_explanation: Explanation = Explanation.NOTHING
    next_source: int = -1


def _spill(rise: float, expected: float) -> Heard:
    return Heard(rise, verdict=Verdict.SPILL, reason=Reason.HEARD_FROM_THE_SOURCE, expected_db=expected)


def _outside(rise: float, expected: float, reason: Reason = Reason.NOISE_FROM_ONE_END) -> Heard:
    return Heard(rise, verdict=Verdict.OUTSIDE_NOISE, reason=reason, expected_db=expected)


QUIET = Scene(tuple(Heard(r, 22 + 3 * (i % 3)) for i, r in enumerate((0.1, 0.4, -0.3, 0.2, 0.5, 0.0))))
PASSING = Scene(
    (
        replace(_spill(3.2, 4.0), baseline_db=20),
        _spill(9.1, 8.6),
        Heard(14.2, 23, Verdict.PASSING, Reason.HIGHEST_STEADY_RISE, 14.2),
        _spill(8.2, 8.4),
        replace(_spill(3.0, 3.3), baseline_db=26),
        Heard(0.9, 21, Verdict.QUIET, Reason.RISE_BELOW_THE_LIMIT, 1.1),
    ),
    Explanation.ONE_PASSING, 2, -1, 8.3, Explanation.ONE_PASSING, 1,
)  # fmt: skip
OUTSIDE = Scene(
    (
        _outside(12.5, 12.0, Reason.REFERENCE_POINT_RISES_MOST),
        _outside(10.1, 10.0), _outside(8.3, 8.0), _outside(5.8, 6.0), _outside(4.1, 4.0), _outside(2.4, 2.0),
    ),
    Explanation.OUTSIDE_NOISE, -1, -1, 6.1, Explanation.ONE_PASSING, 1,
)  # fmt: skip
OPEN = Scene(
    (
        Heard(1.2, 21, expected_db=1.0), _outside(6.0, 6.5, Reason.OPEN_VALVE_NEARBY),
        _outside(13.0, 12.5, Reason.OPEN_VALVE_NEARBY),
        Heard(26.0, 24, Verdict.NOT_TESTABLE, Reason.OPEN, 26.0, True, difference_bar=1.2),
        _outside(12.1, 12.5, Reason.OPEN_VALVE_NEARBY), Heard(4.0, 23, expected_db=4.2),
    ),
    Explanation.OPEN_VALVE, 3,
)  # fmt: skip
DEAD = Scene(
    (
        Heard(0.2), Heard(0.3, 27),
        Heard(None, 25, Verdict.NOT_TESTABLE, Reason.SENSOR_FAULT, health=SensorHealth.SILENT),
        Heard(-0.2, 22), Heard(0.6, 24), Heard(0.1, 23),
    )
)  # fmt: skip
NO_DIFFERENCE = Scene(
    tuple(
        Heard(0.2, 24, Verdict.NOT_TESTABLE, Reason.NO_PRESSURE_DIFFERENCE, difference_bar=0.2)
        for _ in range(6)
    )
)
CONTESTED = Scene(
    (
        Heard(0.6), _spill(4.0, 4.1),
        Heard(10.3, 24, Verdict.CONTESTED, Reason.EXPLANATIONS_TOO_CLOSE, 10.3),
        Heard(9.4, 24, Verdict.CONTESTED, Reason.EXPLANATIONS_TOO_CLOSE, 7.9),
        _spill(4.4, 3.8), Heard(0.8, 22, expected_db=0.9),
    ),
    Explanation.ONE_PASSING, 2, -1, 1.4, Explanation.ONE_PASSING, 3,
)  # fmt: skip
TWO = Scene(
    (
        _spill(6.4, 6.8), Heard(17.5, 24, Verdict.PASSING, Reason.BEST_FIT_OF_THE_GROUP, 17.5),
        _spill(9.0, 8.6), _spill(8.2, 8.8),
        Heard(13.1, 22, Verdict.PASSING, Reason.BEST_FIT_OF_THE_GROUP, 13.1), _spill(3.0, 3.2),
    ),
    Explanation.TWO_PASSING, 1, 4, 9.5, Explanation.ONE_PASSING, 1,
)  # fmt: skip


def register_of(groups: dict[str, int], *, reference_last: bool = True) -> Register:
    """Groups of `n` valves and one reference point; tags ``XV-101``... in the first group, ``XV-201``..."""
    rows: list[Channel] = []
    for g, (name, valves) in enumerate(groups.items(), 1):
        for i in range(1, valves + 1):
            tag = f"XV-{g}{i:02d}"
            rows.append(
                Channel(
                    f"AS-{g}{i:02d}",
                    f"AS-{g}{i:02d}",
                    "valve",
                    name,
                    i + (not reference_last),
                    tag,
                    distance_m=4.0 + (i * 3) % 5,
                    joints=2,
                    closed_when=Condition.parse(f"ZT-{g}{i:02d} < 2"),
                    upstream_pressure=f"PT-{g}01",
                    downstream_pressure=f"PT-{g}02",
                    interval_s=10.0,
                )
            )
        at = valves + 1 if reference_last else 1
        rows.append(
            Channel(f"AR-{g}01", f"AR-{g}01", "reference", name, at, None, distance_m=6.0, interval_s=10.0)
        )
    return Register.of(rows)


def tick_of(layout: Layout, scenes: dict[str, Scene], at_us: int) -> Tick:
    """A closed tick of the groups in `scenes`; every other group is not part of it."""
    n, k = len(layout.channels), len(layout.group_names)
    groups = [i for i, name in enumerate(layout.group_names) if name in scenes]
    columns = {name: np.full(n, np.nan, np.float32) for name in _LEVELS}
    codes = {name: np.zeros(n, np.uint8) for name in ("verdict", "reason", "health", "open_")}
    last_us = np.zeros(n, np.int64)
    per_group: dict[str, Any] = {
        "explanation": np.zeros(k, np.uint8), "next_explanation": np.zeros(k, np.uint8),
        "source": np.full(k, -1, np.int32), "second": np.full(k, -1, np.int32),
        "next_source": np.full(k, -1, np.int32), "margin_db": np.full(k, np.nan, np.float32),
    }  # fmt: skip
    for g in groups:
        scene, first = scenes[layout.group_names[g]], int(layout.first[g])
        for offset, heard in enumerate(scene.heard[: int(layout.count[g])]):
            _put(columns, codes, first + offset, heard)
            last_us[first + offset] = at_us - (900_000_000 if heard.rise_db is None else 2_000_000)
        for name in ("source", "second", "next_source"):
            index = getattr(scene, name)
            per_group[name][g] = first + index if index >= 0 else -1
        per_group["explanation"][g] = scene.explanation
        per_group["next_explanation"][g] = scene.next_explanation
        per_group["margin_db"][g] = scene.margin_db
    channels = np.concatenate([np.arange(layout.first[g], layout.first[g] + layout.count[g]) for g in groups])
    return Tick(
        at_us, np.array(groups, np.int32), channels.astype(np.int32), **columns, **codes,
        baseline_state=np.full(n, BaselineState.TRACKING, np.uint8), steady=np.ones(n, np.uint8),
        last_us=last_us, interval_s=np.full(n, 10, np.float32), odds=per_group["margin_db"] * 0.9,
        **per_group,
    )  # fmt: skip


_LEVELS = (
    "level_db", "l50_db", "l10_db", "baseline_db", "scale_db", "rise_db", "leak_db", "expected_db",
    "difference_bar",
)  # fmt: skip


def _put(columns: dict[str, Any], codes: dict[str, Any], i: int, heard: Heard) -> None:
    columns["baseline_db"][i], columns["scale_db"][i] = heard.baseline_db, 0.7
    columns["difference_bar"][i] = heard.difference_bar
    codes["verdict"][i], codes["reason"][i] = heard.verdict, heard.reason
    codes["health"][i], codes["open_"][i] = heard.health, heard.open
    expected = heard.expected_db if heard.expected_db is not None else 0.0
    columns["expected_db"][i] = heard.baseline_db + expected
    if heard.rise_db is None:
        return
    level = heard.baseline_db + heard.rise_db
    columns["rise_db"][i], columns["level_db"][i] = heard.rise_db, level
    columns["l50_db"][i], columns["l10_db"][i] = level + 1.0, level + 2.6 + (i % 3)
    if heard.rise_db >= 3:
        columns["leak_db"][i] = 10 * math.log10(10 ** (level / 10) - 10 ** (heard.baseline_db / 10))


@dataclass
class Invented:
    """The plant: store on disk, live state, web context. Use `invented(...)`, which closes it."""

    folder: Path
    register: Register
    clock: SetClock = field(default_factory=SetClock)

    def __post_init__(self) -> None:
        self.layout = Layout.of(self.register, CoreSettings())
        self._one_at_a_time = threading.Lock()
        self._engine = open_store(STORE_URL, self.folder)
        self._actions = open_for_actions(STORE_URL, self.folder)
        self.writer = Writer(self._engine, self.layout.names, now_us=self.clock.now_us)
        self.reader = Reader(open_for_reading(STORE_URL, self.folder))
        self.live = LiveState(self.layout, self.clock)
        self._looking = open_for_reading(STORE_URL, self.folder)
        self.desk = desk_of(
            lambda: self.register, CoreSettings(), RepairSettings(), writing=self._actions,
            reading=self._looking, archive=None, readings=self.live.readings, now_us=self.clock.now_us,
        )  # fmt: skip
        self.worth = WorthDesk(
            Appraiser(self.layout, self.reader, self._readings_at), self._actions, self.clock.now_us
        )
        self.upkeep = Upkeep(self.folder, self.register, self.live, self.reader, self._looking, self._actions)
        self.live.worth_said = self.worth.said
        self.live.worth_begins = self.worth.said_as_it_begins
        self.metrics = Metrics()
        self.metrics.watch(self.live)
        self.last: dict[str, Tick] = {}
        self.standing: dict[tuple[str, str], Alarm] = {}
        self.healthy()

    @property
    def context(self) -> WebContext:
        return WebContext(
            self.live, self.reader, self.act, self.metrics, "North works",
            settings=lambda: {"name": "North works", "judge": {"rise_limit_db": 6.0}},
            write_note=self.write_note, desk=self.desk, tell=self.tell, worth=self.worth,
            change=self.upkeep.change, registers=self.upkeep.book, baselines=self.upkeep.desk,
            letters=LetterBox(self._actions, self._looking),
            holds=HoldDesk(self._actions, self._looking, self.clock.now_us),
        )  # fmt: skip

    def tell(self, channel: str) -> Story | None:
        """The story of a channel at its group's last tick."""
        index = next(i for i, c in enumerate(self.layout.channels) if c.name == channel)
        tick = self.last.get(self.layout.channels[index].group)
        return None if tick is None else story_of(self.layout, tick, index)

    def _readings_at(self, groups: Sequence[str], at_us: int | None) -> Mapping[str, GroupReading]:
        if at_us is not None:
            return readings_at(self.live, self.reader, groups, at_us)
        return {g: reading for g in groups if (reading := self.live.reading(g)) is not None}

    def healthy(self) -> None:
        now_us = self.clock.now_us()
        self.live.report(
            connected=True, subscribed=True, broker="127.0.0.1:1883", worker_alive=True,
            last_message_us=now_us, last_commit_us=now_us, database_bytes=4096,
        )  # fmt: skip

    def tick(self, scenes: dict[str, Scene], at_us: int | None = None) -> Tick:
        """Close a tick: into the history and to the pages."""
        tick = tick_of(self.layout, scenes, self.clock.now_us() if at_us is None else at_us)
        with self.writer.transaction() as tx:
            tx.ticks(of_tick(tick, self.layout))
        self.live.tick(tick)
        self.last |= dict.fromkeys(scenes, tick)
        return tick

    def hear(self, names: list[str], time_us: int | None = None, value: float = 24.0) -> None:
        """Samples of some channels' sources, stored and heard."""
        at = self.clock.now_us() if time_us is None else time_us
        index = self.layout.series_index()
        n = len(names)
        batch = Batch(
            np.array([index[name] for name in names], np.int32), np.full(n, at, np.int64),
            np.full(n, value, np.float64), np.zeros(n, np.uint8),
        )  # fmt: skip
        with self.writer.transaction() as tx:
            tx.samples(batch)
        self.live.heard(batch)

    def raise_alarm(
        self,
        valve: str,
        *,
        alarm: AlarmKind = AlarmKind.PASSING,
        priority: Priority = Priority.HIGH,
        ago_min: float = 12,
        rise_db: float = 14.2,
        reason: str = "highest steady rise",
        origin: str = "",
    ) -> Alarm:
        """An alarm goes active, into journal and pages."""
        at_us = self.clock.now_us() - round(ago_min * MINUTE_US)
        group = next(c.group for c in self.layout.channels if c.subject == valve)
        made = Alarm(
            valve, group, alarm, AlarmState.UNACKNOWLEDGED, True, priority, at_us, at_us, rise_db, 8.3, reason
        )
        return self.put_alarm(made, AlarmEvent.RAISED, at_us, origin=origin)

    def find_later(self, valve: str) -> Alarm:
        """An alarm that is only found when data came after its time."""
        return self.raise_alarm(valve, origin="back-fill")

    def clear_alarm(self, valve: str, alarm: AlarmKind = AlarmKind.PASSING) -> None:
        now_us = self.clock.now_us()
        held = self.standing[valve, alarm]
        acknowledged = held.state is AlarmState.ACKNOWLEDGED
        state = AlarmState.NORMAL if acknowledged else AlarmState.RTN_UNACKNOWLEDGED
        self.put_alarm(
            replace(held, state=state, active=False, changed_us=now_us), AlarmEvent.CLEARED, now_us
        )

    def act(self, request: ActionRequest) -> ActionOutcome:
        """Do as the service does: one action after the other, whichever threads ask."""
        with self._one_at_a_time:
            return self._act(request)

    def _act(self, request: ActionRequest) -> ActionOutcome:
        """On record first, then applied, by the program's own transitions."""
        if request.kind is not ActionKind.ACKNOWLEDGE:
            return self._put_aside_or_back(request)
        held = self.standing.get((request.valve, request.alarm))
        if held is None or held.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.RTN_UNACKNOWLEDGED):
            by = f" {held.operator} has acknowledged it." if held and held.operator else ""
            return ActionOutcome(False, f"{request.valve} has no alarm to acknowledge.{by}")
        now_us = self.clock.now_us()
        number = record_action(self._actions, request, now_us)
        state = AlarmState.ACKNOWLEDGED if held.active else AlarmState.NORMAL
        done = replace(
            held, state=state, changed_us=now_us, operator=request.operator, comment=request.comment
        )
        self.put_alarm(done, AlarmEvent.ACKNOWLEDGED, now_us, number)
        with self.writer.transaction() as tx:
            tx.action_applied(number, now_us, "applied")
        return ActionOutcome(True, f"{request.valve} is acknowledged.", number, now_us)

    def write_note(self, author: str, text: str, valve: str | None) -> ShiftNote:
        return add_note(self._actions, author, text, valve, self.clock.now_us())

    def _put_aside_or_back(self, request: ActionRequest) -> ActionOutcome:
        held = self.standing.get((request.valve, request.alarm))
        trigger = TRIGGER_OF[request.kind]
        way = held and transition(held.state, trigger, held.active)
        if not held or not way:
            return ActionOutcome(False, f"{request.valve} has nothing to {trigger}.")
        now_us = self.clock.now_us()
        number = record_action(self._actions, request, now_us)
        done = replace(
            held, state=way[0], changed_us=now_us, operator=request.operator, comment=request.comment,
            shelved_until_us=request.until_us, shelved_once=request.kind is ActionKind.SHELVE_ONCE,
        )  # fmt: skip
        self.put_alarm(done, way[1], now_us, number)
        with self.writer.transaction() as tx:
            tx.action_applied(number, now_us, "applied")
        return ActionOutcome(True, f"{request.valve}: {way[1]}.", number, now_us)

    def put_alarm(
        self, alarm: Alarm, event: AlarmEvent, at_us: int, action_id: int = 0, *, origin: str = ""
    ) -> Alarm:
        """An alarm as it is now, and the line of the journal that says so."""
        entry = JournalEntry(
            at_us, alarm.valve, alarm.group, alarm.alarm, event, alarm.state, alarm.priority, alarm.rise_db,
            alarm.margin_db, alarm.reason, alarm.operator, alarm.comment, action_id, origin,
        )  # fmt: skip
        with self.writer.transaction() as tx:
            rows = tx.journal([entry])
        alarm = replace(alarm, action_id=action_id)
        self.standing[alarm.valve, alarm.alarm] = alarm
        if alarm.state is AlarmState.NORMAL:
            del self.standing[alarm.valve, alarm.alarm]
        self.live.alarms(list(self.standing.values()))
        self.live.journal(rows)
        return alarm

    def close(self) -> None:
        self.writer.close()
        self.reader.close()
        self._actions.dispose()
        self._looking.dispose()
        self._engine.dispose()


@contextmanager
def invented(folder: Path, groups: dict[str, int], **more: Any) -> Iterator[Invented]:
    """An invented plant in `folder`; `groups` gives the valves of each group."""
    plant = Invented(folder, register_of(groups), **more)
    try:
        yield plant
    finally:
        plant.close()
