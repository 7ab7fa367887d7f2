"""From the samples of one tick to the levels of every channel's window, and whether these are steady."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.intake import NEVER, US, Intake, Portion
from hissmark.engine.layout import LEVEL, PROCESS
from hissmark.engine.state import F32, I64, Bools, State
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Reason
from hissmark.signal.slots import condense
from hissmark.signal.windows import WindowLevels

FEWEST_SLOTS = 3
FEWEST_SHARE = 0.25
STALE_INTERVALS = 3.0


class Signal(NamedTuple):
    """The windows of one tick and what they are worth; arrays over channels."""

    levels: WindowLevels
    length_us: I64
    last_us: I64
    interval_s: F32
    fresh: Bools
    unsteady: npt.NDArray[np.uint8]


class Timing(NamedTuple):
    """When channels are heard; int64[channels]. `last_us` 0: never heard, `interval_us` 0: not known."""

    length_us: I64
    last_us: I64
    interval_us: I64


def take_process(state: State, portion: Portion) -> None:
    layout = state.layout
    mine = layout.input_role[portion.input] == PROCESS
    on = portion.groups[layout.input_group]
    state.process.take(portion.input[mine], portion.value[mine], on)


def measure(state: State, portion: Portion, intake: Intake) -> Signal:
    """Push the tick's samples into the windows and read these."""
    layout, signal = state.layout, state.settings.signal
    role = layout.input_role[portion.input]
    mine = role != PROCESS
    if not mine.all():
        role, inputs = role[mine], portion.input[mine]
        times, values = portion.time_us[mine], portion.value[mine]
    else:
        inputs, times, values = portion.input, portion.time_us, portion.value
    channel = layout.input_channel[inputs]
    state.windows.push(condense(channel, role - LEVEL, times, values, signal.slot_s * US))
    timing = timing_of(state, intake)
    levels = state.windows.measure(slice(None), portion.at_us, timing.length_us)
    interval_us = timing.interval_us
    stale_us = np.maximum(signal.stale_s * US, (STALE_INTERVALS * interval_us).astype(np.int64))
    fresh = (timing.last_us > 0) & (portion.at_us - timing.last_us <= stale_us)
    unsteady = unsteady_of(state, levels, timing)
    interval_s = (interval_us / US).astype(np.float32)
    return Signal(levels, timing.length_us, timing.last_us, interval_s, fresh, unsteady)


def timing_of(state: State, intake: Intake) -> Timing:
    """How often each channel is heard, when last, and how long its window therefore is."""
    signal, own = state.settings.signal, state.own_inputs
    unknown = np.iinfo(np.int64).max
    judged_us, interval = intake.judged_us[own], intake.interval_us[own]
    heard = judged_us > NEVER
    last = np.where(heard, judged_us, 0).max(axis=0)
    interval_us = np.where(heard & (interval > 0), interval, unknown).min(axis=0)
    interval_us = np.where(interval_us == unknown, 0, interval_us)
    reach = (interval_us * (signal.sparse_samples + 0.25)).astype(np.int64)
    return Timing(np.maximum(signal.window_s * US, reach), last, interval_us)


def unsteady_of(state: State, levels: WindowLevels, timing: Timing) -> npt.NDArray[np.uint8]:
    """Why a window is no steady sound: `Reason`, `NONE` where it is; uint8[channels]."""
    few = too_few(state, levels, timing)
    with np.errstate(invalid="ignore"):
        drifting = np.abs(levels.drift) > state.tuned.drift_limit_db
        spread = levels.high - levels.low > spread_limits(state)
    return np.select(
        [few, drifting, spread],
        [Reason.TOO_FEW_SAMPLES, Reason.LEVEL_DRIFTING, Reason.LEVEL_NOT_STEADY],
        NONE,
    ).astype(np.uint8)


def too_few(state: State, levels: WindowLevels, timing: Timing) -> Bools:
    """Windows that hold too little to be told by."""
    few = levels.slots < fewest_slots(state, timing.length_us, timing.interval_us)
    return np.asarray(few | np.isnan(levels.drift), bool)


def fewest_slots(state: State, length_us: I64, interval_us: I64) -> npt.NDArray[np.float64]:
    """Slots that a window must hold to be told by, float64[channels]."""
    expected = length_us / np.maximum(interval_us, state.settings.signal.slot_s * US)
    return np.asarray(np.maximum(FEWEST_SLOTS, FEWEST_SHARE * expected), np.float64)


def spread_limits(state: State) -> F32:
    """L10 - L90 from which a window is no steady sound, float32[channels] dB.

    Until the usual spread is known any is usual: a cycling steam trap belongs to the background.
    """
    usual = state.baselines.usual_spread
    return np.asarray(
        np.where(np.isnan(usual), np.float32(np.inf), state.tuned.spread_limit_db + usual), np.float32
    )
