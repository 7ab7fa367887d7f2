"""A day of one group as the service judged it, with everything on record that the store would have."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hissmark.alarms.journal import Action, ActionKind, AlarmKind
from hissmark.decode.columns import Batch
from hissmark.engine.change import BaselineStep, Change, Level, baseline_change, settings_change
from hissmark.engine.rerun import Recorded
from support.rig import QUICK, START_US, US, Rig, reference, row_of_valves, take, times, with_settings

HOUR_S = 3600.0


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
        action = Action(kind, valve, AlarmKind.PASSING, "ms", "", until_us, id=number)
        at_us = self.rig.engine.act_time_us(valve)
        try:
            self.rig.journal += self.rig.engine.act(action)
        except ValueError:
            return
        self.actions.append((at_us, action))


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
