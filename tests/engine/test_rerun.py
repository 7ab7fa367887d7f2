"""A group judged once more from what is stored gives what the service gave, to the last bit, and faster."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from hissmark.alarms.journal import Action, ActionKind, AlarmKind, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import BaselineStep, Change, Level, baseline_change, settings_change
from hissmark.engine.copies import equal, one_group, slots_of
from hissmark.engine.rerun import Recorded, Rerun
from hissmark.engine.step import Stepper
from support.rig import QUICK, START_US, US, Rig, reference, row_of_valves, take, times, with_settings
from support.stirring import in_one_piece
from support.stirring import plant as stirring_plant

HOUR_S = 3600.0
LATEST = {"windows.time_us", "windows.low", "windows.middle", "windows.high", "windows.head", "step.said"}
"""The ring of a window may begin elsewhere; `said` is for pages only."""


@dataclass
class Live:
    """A rig with everything on record that the store would have."""

    rig: Rig
    batch: Batch
    changes: list[Change] = field(default_factory=list)
    actions: list[Recorded] = field(default_factory=list)

    def change(self, change: Change) -> None:
        number = 1 + len(self.changes) + len(self.actions)
        known = self.rig.engine.admit(change)
        known = Change(
            known.kind, known.subject, known.operator, known.reason, known.payload, number, known.effective_us
        )
        self.changes.append(known)
        self.rig.engine.change(known)

    def act(self, kind: ActionKind, valve: str) -> None:
        number = 1 + len(self.changes) + len(self.actions)
        until_us = START_US + int(1e6 * 86_400) if kind is ActionKind.SHELVE else None
        action = Action(number, kind, valve, AlarmKind.PASSING, "ms", "", until_us)
        at_us = self.rig.engine.act_time_us(valve)
        try:
            self.rig.journal += self.rig.engine.act(action)
        except ValueError:
            return
        self.actions.append((at_us, action))


def rerun(live: Live, group: str, parts: int) -> tuple[list[JournalEntry], Rerun]:
    """The group from the store, read in so many parts, up to where the service has come."""
    found = Rerun(one_group(live.rig.layout, group), live.changes, live.actions)
    index = {name: i for i, name in enumerate(found.layout.names)}
    series = np.array([index.get(name, -1) for name in live.rig.layout.names])[live.batch.series]
    known = take(live.batch, np.flatnonzero(series >= 0))
    own = Batch(series[series >= 0].astype(np.int32), known.time_us, known.value, known.flags)
    entries: list[JournalEntry] = []
    last_us = live.rig.last.at_us
    for part in np.array_split(np.arange(len(own)), parts):
        found.offer(take(own, part))
        heard_us = int(own.time_us[part[-1]]) if len(part) else START_US
        entries += found.advance(min(last_us, heard_us))
    entries += found.advance(last_us)
    return entries, found


def assert_same(live: Live, parts: int = 3) -> Rerun:
    """Journal and state of every group are those of the service; returns the rerun of the last."""
    for group in live.rig.layout.group_names:
        entries, found = rerun(live, group, parts)
        assert entries == [e for e in live.rig.journal if e.group == group]
        assert_same_state(live.rig.engine.stepper, found.stepper, live.rig.layout.group_names.index(group))
    return found


def assert_same_state(site: Stepper, mine: Stepper, group: int) -> None:
    rows, places = site.rows_of(group), len(mine.layout.channels)
    for one, other in zip(slots_of(site), slots_of(mine), strict=True):
        if one.key in LATEST or one.axis in ("input", "pipework"):
            continue
        array = one.array[:, rows] if one.axis == "alarm" else one.array
        array = array[group : group + 1] if one.axis in ("group", "members") else array
        array = array[rows] if one.axis == "channel" else array
        assert equal(array, other.array), one.key
    windows = (np.sort(w.low, axis=1) for w in (site.windows, mine.windows))
    assert equal(next(windows)[rows], next(windows))
    assert places == rows.stop - rows.start


@dataclass(frozen=True)
class Day:
    """A day of one group: what happens to it, hours of plant time."""

    seed: int
    noise_db: float = 0.4
    jitter_s: float = 0.0
    leak: tuple[float, float, float] = (6.0, 9.0, 14.0)  # from, to, dB over the background
    stroke_h: float | None = None
    gap: tuple[float, float] | None = None
    hum_db: float = 0.0  # an even shift of the group that comes and goes
    change_h: tuple[float, ...] = ()
    act_h: float | None = None
    tick_s: int = 60
    hours: int = 15


def lived(day: Day) -> Live:
    """The day as the service judged it, an hour of samples at a time."""
    base = with_settings(QUICK, signal={"tick_s": day.tick_s})
    channels = [*row_of_valves(3, closed_when="ZT-1 < 2"), reference("9", position=3)]
    rig = Rig(channels, base)
    batch = samples_of(day, rig)
    live = Live(rig, batch)
    values = [{"rise_limit_db": 9.0}, {"odds_limit": 8.0, "on_delay_s": 600.0}, {"rise_limit_db": None}]
    changes = [settings_change(Level.SITE, "", v, "ms", "trial") for v in values]
    changes[1] = settings_change(Level.VALVE, "XV-2", values[1], "ms", "trial")
    changes.append(baseline_change(BaselineStep.HOLD, "XV-1", "ms", "trial"))
    due = sorted([(h, i) for i, h in enumerate(day.change_h)])
    for hour in range(day.hours):
        end_us = START_US + int((hour + 1) * HOUR_S * US)
        rows = (batch.time_us >= end_us - int(HOUR_S * US)) & (batch.time_us < end_us)
        rig.feed(take(batch, np.flatnonzero(rows)))
        while due and due[0][0] <= hour + 1:
            live.change(changes[due.pop(0)[1] % len(changes)])
        if day.act_h is not None and hour == int(day.act_h):
            live.act(ActionKind.ACKNOWLEDGE, "XV-2")
            live.act(ActionKind.SHELVE, "XV-2")
    return live


def samples_of(day: Day, rig: Rig) -> Batch:
    rng, samples = np.random.default_rng(day.seed), rig.samples()
    start, end, loud = day.leak
    for i, name in enumerate(("AE-1", "AE-2", "AE-3", "RP-9")):
        t = times(0.3 * i, day.hours * HOUR_S, 10.0 if i < 2 else 30.0)
        t = np.sort(t + rng.uniform(0, day.jitter_s, len(t)))
        power = 10 ** ((24.0 + i) / 10) * np.ones(len(t))
        leak = (t >= start * HOUR_S) & (t < end * HOUR_S)
        power += np.where(leak, 10 ** ((24.0 + loud - 6 * abs(i - 1)) / 10), 0.0)
        level = 10 * np.log10(power) + rng.normal(0, day.noise_db, len(t))
        level += np.where((t // (3 * HOUR_S)) % 3 == 2, day.hum_db, 0.0)
        heard = np.ones(len(t), bool)
        if day.gap is not None:
            heard = (t < day.gap[0] * HOUR_S) | (t >= day.gap[1] * HOUR_S)
        samples.add(name, t[heard], level[heard])
    minutes = times(0.0, day.hours * HOUR_S, 60.0)
    if day.gap is not None:
        minutes = minutes[(minutes < day.gap[0] * HOUR_S) | (minutes >= day.gap[1] * HOUR_S)]
    stroke_s = -1e9 if day.stroke_h is None else day.stroke_h * HOUR_S
    open_ = (minutes >= stroke_s) & (minutes < stroke_s + 1800)
    samples.add("ZT-1", minutes, np.where(open_, 99.0, 0.5))
    return samples.batch()


hours = st.floats(2.0, 14.0)
days = st.builds(
    Day,
    seed=st.integers(0, 2**32 - 1),
    noise_db=st.sampled_from([0.1, 0.4, 1.2]),
    jitter_s=st.sampled_from([0.0, 4.0]),
    leak=st.tuples(st.floats(3.0, 6.0), st.floats(6.0, 14.0), st.floats(5.0, 20.0)),
    stroke_h=st.none() | hours,
    gap=st.none() | st.tuples(st.floats(3.0, 5.0), st.floats(5.0, 13.0)),
    hum_db=st.sampled_from([0.0, 4.0]),
    change_h=st.lists(hours, max_size=4).map(tuple),
    act_h=st.none() | hours,
)


@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)  # fmt: skip
@given(days, st.integers(1, 30))
@example(Day(1), 1)
@example(Day(2, gap=(2.0, 8.9), change_h=(4.0, 9.2, 11.0, 12.0), act_h=11.0, leak=(9.5, 13.0, 12.0)), 7)
@example(Day(3, stroke_h=6.0, hum_db=5.0, jitter_s=3.0), 5)
def test_replay_of_the_store_is_what_the_service_did(day: Day, parts: int) -> None:
    """Also across changes of settings in the middle, operators' actions, hours of silence."""
    assert_same(lived(day), parts)


def test_a_plant_with_all_that_happens() -> None:
    rig = in_one_piece()
    live = Live(rig, stirring_plant()[1])
    live.batch = take(live.batch, np.argsort(live.batch.time_us, kind="stable"))
    assert rig.journal
    assert_same(live)


def test_most_of_a_quiet_day_is_judged_many_ticks_at_once() -> None:
    found = assert_same(lived(Day(4, leak=(0.0, 0.0, 0.0))))
    assert found.judged > 850
    assert found.singly < 0.2 * found.judged


def test_slots_longer_than_a_tick_are_judged_tick_by_tick() -> None:
    """A tick of 15 s cuts slots of 10 s, so ticks cannot be told apart by their slots."""
    live = lived(Day(5, tick_s=15, leak=(2.5, 3.0, 14.0), hours=4))
    found = assert_same(live)
    assert found.singly == found.judged
