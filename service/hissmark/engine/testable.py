"""Which channels may be judged at a tick, and what keeps the others from it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import NEVER, US
from hissmark.engine.measuring import Signal
from hissmark.engine.moving import turning, weight_of
from hissmark.engine.state import F32, Bools, State
from hissmark.engine.sudden import moved_groups
from hissmark.judge.codes import among
from hissmark.judge.evidence import persistence
from hissmark.judge.group import Channels
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Reason, SensorHealth

SUSPECTED = 3.0
"""Evidence above minus this: another valve is at most twenty times as likely the source."""


def time_open(state: State, at_us: int, on: Bools, conditions: TestConditions) -> None:
    """Since when each valve has been open, 0 while it is not; negative once its response was measured."""
    begins = on & conditions.open_ & (state.open_us == 0)
    # what already sounds when a valve opens would be taken for its response
    state.open_us[begins] = np.where(state.stirred[state.layout.group_of[begins]], -at_us, at_us)
    state.open_us[on & ~conditions.open_] = 0


def obstacles(state: State, at_us: int, conditions: TestConditions, signal: Signal) -> npt.NDArray[np.uint8]:
    """Reason for not being testable, `NONE` where a channel is; the sensor itself comes later."""
    just = at_us - state.stroked_us < state.tuned.settle_us
    return np.select(
        [
            ~signal.fresh, conditions.position_unknown, conditions.open_, just,
            conditions.pressure_unknown, conditions.low_difference,
        ],
        [
            Reason.NO_FRESH_DATA, Reason.POSITION_NOT_HEARD, Reason.OPEN, Reason.JUST_STROKED,
            Reason.PRESSURE_NOT_HEARD, Reason.NO_PRESSURE_DIFFERENCE,
        ],
        NONE,
    ).astype(np.uint8)  # fmt: skip


def with_sensor(state: State, blocked: npt.NDArray[np.uint8], baseline: F32) -> npt.NDArray[np.uint8]:
    """The same with what the sensor itself lacks."""
    testable = blocked == NONE
    blocked = np.where(testable & np.isnan(baseline), Reason.BASELINE_LEARNING, blocked).astype(np.uint8)
    return np.where(testable & faulty(state), Reason.SENSOR_FAULT, blocked).astype(np.uint8)


def faulty(state: State) -> Bools:
    code = state.health.code
    return np.asarray((code != SensorHealth.WELL) & (code != SensorHealth.SILENT), bool)


def drowned(state: State, at_us: int, signal: Signal, blocked: npt.NDArray[np.uint8], sound: Bools) -> Bools:
    """Channels in groups with a valve that is open or has just moved, and whose own sensor cannot say how
    loud.

    Its neighbours may hear it before its own sensor has told, if that measures more rarely or not at all:
    none of them can be blamed meanwhile."""
    open_, just = blocked == Reason.OPEN, blocked == Reason.JUST_STROKED
    lately = at_us - np.where(open_, np.abs(state.open_us), state.stroked_us) < signal.length_us
    unread = (open_ & (lately | ~sound | (signal.unsteady != NONE))) | just
    unread |= state.valve & ~open_ & (state.stroked_us > NEVER) & lately
    return state.groups_with(unread)[state.layout.group_of]


def sound_of(state: State, signal: Signal) -> Bools:
    """Channels that are heard and to be believed."""
    enough = signal.unsteady != Reason.TOO_FEW_SAMPLES
    return np.asarray(signal.fresh & ~faulty(state) & ~state.health.suspect & enough, bool)


def channels_of(state: State, at_us: int, signal: Signal, blocked: npt.NDArray[np.uint8]) -> Channels:
    """What the judgement takes of each channel."""
    window_s = signal.length_us / US
    known = among(blocked, (Reason.OPEN, Reason.JUST_STROKED))
    steady = signal.unsteady == NONE
    unrest = np.where(steady, 0.0, 0.5 * np.abs(np.nan_to_num(signal.levels.drift)))
    sound = sound_of(state, signal)
    share = weight_of(state) * (state.settings.signal.tick_s / window_s)
    waits = drowned(state, at_us, signal, blocked, sound) | (
        turning(state, at_us, signal, sound) & ~state.passing
    )
    return Channels(
        signal.levels.low, unrest.astype(np.float32),
        state.baselines.value, state.baselines.scale, sound,
        state.valve & (blocked == NONE) & steady & ~waits,
        state.passing | (state.evidence > -SUSPECTED), known,
        share.astype(np.float32), state.alarms.active[0] | state.passing,
        state.passing, state.source_db, state.passing & (blocked == NONE),
        (blocked == Reason.OPEN) & steady, state.valve,
        persistence(state.lead_s), moved_groups(state, at_us, signal, sound),
    )  # fmt: skip
