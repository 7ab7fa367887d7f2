"""Sensor faults told apart from leaks: a leak makes a channel hear more, a fault mostly less, or nothing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge.timers import Timers
from hissmark.judge.verdicts import SensorHealth

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LOOSE_DB = 5.0
LOOSE_SCALES = 5.0
STUCK_USUAL_SPREAD_DB = 0.2
STUCK_SLOTS = 5
"""With fewer it cannot be told whether a value is repeated."""
QUANTUM_DB = 0.11
LIVELY_SPREAD_DB = 1.0
"""A sensor that usually moves by more than this stands still also where it flips by one step of 0.1 dB."""
NOISY_DB = 4.0
NOISY_FALL_DB = 1.5
NOISY_SHARE = 0.25
NOISY_BACK = 0.5
"""A short window of a noisy sensor often looks well by chance: what does not show takes off less."""
JUMPING_DB = 22.0
"""Tops so far above the floor would be heard by a neighbour as well (3 to 15 dB of loss, common practice)."""
HEARD_BESIDE_DB = 3.0
SATURATED_DB = 44.0
AT_BOUND_DB = 0.1
SMALLEST_BOUND_DB = 1.0
"""With a tighter bound every background stands at it; that says nothing."""
SWAP_STEP_DB = 3.0
SWAP_MATCH_DB = 2.5
CONFIRM_S = 3600.0
"""How long a fault has to show."""
PATIENT_S = 3 * CONFIRM_S
"""The same for what looks like an operating condition that nobody knows: it may pass."""
UNKNOWN_SHIFT_DB = 1.5
"""Where the others of the group lie further than this from their backgrounds (in the median), something goes
on that nobody has learned yet."""
UNKNOWN_LOOSE_S = 12 * CONFIRM_S
LOUD_STUCK_S = 12 * CONFIRM_S
"""A loud even hiss read by a coarse sensor does not move either."""
DRIFT_CONFIRM_S = 6 * CONFIRM_S
"""A drift is slow: nothing is lost by looking for longer."""
NOISY_WINDOWS = 1.5
"""A step, such as a leak that starts, spreads one window and has left it after its length: a sparse sensor is
called noisy only after more than that."""

STUCK_SUSPECT_S = CONFIRM_S
NOISY_SUSPECT_S = 600.0


TIMED = LOOSE, STUCK, NOISY, SWAPPED, SATURATED = range(5)
"""Faults that `Timers` keeps the time of."""
BACK = np.array([2.0, 2.0, NOISY_BACK, 2.0, 2.0])
"""What a tick without the fault takes off the time it has shown, in ticks."""


class Drift(NamedTuple):
    """Whether channels have drifted away from their group; bool[channels].

    Attributes:
        shown: the background has moved to its bound, the level beyond, and the neighbours stayed.
        told: this tick can tell. Upwards a drift looks like a slow leak, save where nothing can leak.
    """

    shown: Bools
    told: Bools


class Sound(NamedTuple):
    """What is heard of each sensor at a tick; arrays over channels, levels in dB.

    Attributes:
        spread: L10 - L90 of the window. usual: the spread it usually has, NaN until known.
        slots: how many slots the window holds. window_s: its length.
        rise, scale: against the best baseline; `rise` less what the whole group fell by.
        passing: bool, the valve counts as passing already.
    """

    spread: F32
    usual: F32
    slots: npt.NDArray[np.int64]
    window_s: F64
    rise: F32
    scale: F32
    passing: Bools


class Beside(NamedTuple):
    """What a sensor's neighbours in the group say; bool[channels].

    Attributes:
        fell_alone: no other fell likewise. restless_alone: no other's tops stand out likewise.
        unknown: the others lie off their backgrounds: an operating condition not learned yet, most likely.
        swapped: it seems to have changed places with another.
    """

    fell_alone: Bools
    restless_alone: Bools
    unknown: Bools
    swapped: Bools


class HealthBank:
    """What is wrong with each sensor, and since when it shows.

    Attributes:
        code: uint8[channels] `SensorHealth`. drift_s: float32[channels] how long a drift has shown.
        clock_wrong: bool[channels] told by the intake, which alone sees when samples arrive.
        suspect: bool[channels] looks unwell, though not yet for long: not to be judged by meanwhile.
    """

    STATE = ("drift_s", "clock_wrong", "code", "suspect")

    def __init__(self, channels: int) -> None:
        self.timers = Timers(channels, len(TIMED))
        self.drift_s: F32 = np.zeros(channels, np.float32)
        self.clock_wrong: Bools = np.zeros(channels, bool)
        self.code: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)
        self.suspect: Bools = np.zeros(channels, bool)

    def step(
        self, on: Bools, tick_s: float, silent: Bools, sound: Sound, beside: Beside, drift: Drift
    ) -> None:
        """Advance by one tick. `silent`: no fresh data."""
        self._time_drift(on & ~silent, tick_s, drift)
        still = stands_still(sound)
        with np.errstate(invalid="ignore"):
            fall_db = np.maximum(LOOSE_DB, LOOSE_SCALES * sound.scale)
            loose = beside.fell_alone & (sound.rise < -fall_db)
            saturated = (sound.spread == 0) & (sound.usual > STUCK_USUAL_SPREAD_DB)
            saturated &= sound.rise > SATURATED_DB
        noisy = electrical(sound) & beside.restless_alone
        shown = np.stack((loose, still, noisy, beside.swapped, saturated), axis=1)
        told = np.repeat((on & ~silent)[:, None], len(TIMED), axis=1)
        told[:, STUCK] &= sound.slots >= STUCK_SLOTS
        self.timers.step(told, tick_s, shown, BACK)
        self._say(on, silent, sound, beside.unknown)
        self._suspect(on, sound.passing)

    def _say(self, on: Bools, silent: Bools, sound: Sound, unknown: Bools) -> None:
        with np.errstate(invalid="ignore"):
            loud = sound.rise > LOOSE_DB
        lasting = self._lasting
        code = np.select(
            [
                self.clock_wrong, silent, self.timers.lasting(SATURATED, CONFIRM_S),
                lasting(STUCK, SensorHealth.STUCK, np.where(loud, LOUD_STUCK_S, PATIENT_S)),
                self.timers.lasting(SWAPPED, PATIENT_S), self.drift_s >= DRIFT_CONFIRM_S,
                lasting(LOOSE, SensorHealth.LOOSE, np.where(unknown, UNKNOWN_LOOSE_S, PATIENT_S)),
                lasting(NOISY, SensorHealth.NOISY, np.maximum(CONFIRM_S, NOISY_WINDOWS * sound.window_s)),
            ],
            [
                SensorHealth.CLOCK_WRONG, SensorHealth.SILENT, SensorHealth.SATURATED, SensorHealth.STUCK,
                SensorHealth.SWAPPED, SensorHealth.DRIFTING, SensorHealth.LOOSE, SensorHealth.NOISY,
            ],
            SensorHealth.WELL,
        )  # fmt: skip
        self.code[on] = code[on]

    def _lasting(self, fault: int, said: SensorHealth, after_s: npt.ArrayLike) -> Bools:
        """Which channels have this fault: once said, until it has not shown for a while."""
        stays = (self.code == said) & (self.timers.shown_s[:, fault] > 0)
        return np.asarray(stays | self.timers.lasting(fault, after_s), bool)

    def _suspect(self, on: Bools, passing: Bools) -> None:
        """A valve that passes already may hiss so evenly that a coarse sensor does not move."""
        shown_s = self.timers.shown_s
        still, noisy = shown_s[:, STUCK] >= STUCK_SUSPECT_S, shown_s[:, NOISY] >= NOISY_SUSPECT_S
        suspect = (shown_s[:, SWAPPED] > 0) | (shown_s[:, SATURATED] > 0) | ((still | noisy) & ~passing)
        self.suspect[on] = suspect[on]

    def _time_drift(self, heard: Bools, tick_s: float, drift: Drift) -> None:
        told = heard & drift.told
        back = np.maximum(np.minimum(self.drift_s, 2 * DRIFT_CONFIRM_S) - 2 * tick_s, 0.0)
        self.drift_s[told] = np.where(drift.shown, self.drift_s + tick_s, back)[told]


def stands_still(sound: Sound) -> Bools:
    """Windows of one single value, of sensors that usually move; bool[channels]."""
    with np.errstate(invalid="ignore"):
        exactly = (sound.spread == 0) & (sound.usual > STUCK_USUAL_SPREAD_DB)
        nearly = (sound.spread <= QUANTUM_DB) & (sound.usual > LIVELY_SPREAD_DB)
    return np.asarray(exactly | nearly, bool)


def electrical(sound: Sound) -> Bools:
    """Windows spread by noise of the sensor's own, bool[channels].

    Sound adds to the background: a steam trap lifts the tops and leaves the floor where it was. Noise of the
    electronics pulls the floor down about as far as it lifts the tops.
    """
    with np.errstate(invalid="ignore"):
        wider, fall = sound.spread - sound.usual, -sound.rise
        least = np.maximum(NOISY_FALL_DB, NOISY_SHARE * wider)
        both = (wider > NOISY_DB) & (fall >= least) & (wider - fall >= least)
        return np.asarray(both | (wider > JUMPING_DB), bool)


def restless_alone(wider: F64) -> Bools:
    """Whether no other channel of its group spreads further than usual likewise, bool[G, P].

    `wider`: float64[G, P] dB over the usual spread, NaN where unknown.
    """
    others = _most_of_others(wider)
    with np.errstate(invalid="ignore"):
        return np.asarray(others < np.maximum(HEARD_BESIDE_DB, 0.5 * np.minimum(wider, JUMPING_DB)), bool)


def others_unknown(rise: F64) -> Bools:
    """Whether the other channels of its group lie off their backgrounds, in the median; bool[G, P].

    `rise`: float64[G, P] dB, NaN where unknown.
    """
    width = rise.shape[1]
    off = np.repeat(np.abs(rise)[:, None, :], width, axis=1)
    off[:, np.arange(width), np.arange(width)] = np.nan
    counts = (~np.isnan(off)).sum(axis=2)
    ranked = np.sort(off, axis=2)  # NaN last
    middle = np.take_along_axis(ranked, np.maximum(counts - 1, 0)[:, :, None] // 2, axis=2)[:, :, 0]
    return np.asarray((counts > 0) & (middle > UNKNOWN_SHIFT_DB), bool)


def _most_of_others(values: F64) -> F64:
    """The highest value that another channel of the group has, float64[G, P]; -inf where there is none."""
    width = values.shape[1]
    known = np.where(np.isnan(values), -np.inf, values)
    others = np.repeat(known[:, None, :], width, axis=1)
    others[:, np.arange(width), np.arange(width)] = -np.inf
    return np.asarray(others.max(axis=2), np.float64)


def drifted(
    value: F64, anchor: F64, level: F64, bound: F64, cannot_leak: Bools, usable: Bools
) -> tuple[Bools, Bools]:
    """Which channels of each group drifted alone, and of which this can be told now: `Drift`, bool[G, P].

    A background follows slow change up to a bound from where it was anchored. One that stands at its bound
    while the level is beyond it and no neighbour moved half as far has drifted. What drifts downwards is the
    sensor; what drifts upwards may be a leak that grows slowly, unless nothing can leak there now (no
    pressure difference, or no valve) and the sensor still hears it.

    Args:
        value, anchor, level: float64[G, P] dB, NaN where unknown. bound: float64[G, P] dB.
        cannot_leak: bool[G, P]. usable: bool[G, P] steady, with fresh data.
    """
    with np.errstate(invalid="ignore"):
        moved = np.where(usable, level - anchor, np.nan)
        at_bound = (
            usable
            & (bound >= SMALLEST_BOUND_DB)
            & (np.abs(value - anchor) >= bound - AT_BOUND_DB)
            & (np.abs(moved) >= bound)
        )
        told = usable & (cannot_leak | (moved < 0) | (np.abs(moved) < bound))
        along = np.sign(moved)[:, :, None] * moved[:, None, :]
    own = np.eye(moved.shape[1], dtype=bool)[None]
    others = np.where(own | np.isnan(along), -np.inf, along).max(axis=2)
    return at_bound & (others > -np.inf) & (others < 0.5 * bound), told


def fell_alone(rise: F64) -> Bools:
    """Whether no other channel of its group fell half as far, bool[G, P]: a quieter plant takes several.

    `rise`: float64[G, P] dB, NaN where unknown.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(_most_of_others(-rise) < -0.5 * rise, bool)


def swapped_pairs(rise: F64, level: F64, baseline: F64) -> Bools:
    """Which channels of each group changed places: one fell, one rose, each to the other's level.

    A leak lowers nothing, so a fall and a rise that mirror each other are two cables changed over. These
    leave all other channels as they were: an operating condition not known moves many, and then some pair
    mirrors by chance.

    Args:
        rise, level, baseline: float64[G, P] dB, NaN where unknown.
    """
    swapped = np.zeros(rise.shape, bool)
    with np.errstate(invalid="ignore"):
        fell, rose = rise < -SWAP_STEP_DB, rise > SWAP_STEP_DB
        which = np.flatnonzero(fell.any(axis=1) & rose.any(axis=1))
        if not len(which):
            return swapped
        near = np.abs(level[which][:, :, None] - baseline[which][:, None, :]) < SWAP_MATCH_DB
    moved = (fell | rose)[which].sum(axis=1)
    pair = near & near.transpose(0, 2, 1) & fell[which][:, :, None] & rose[which][:, None, :]
    pair &= (moved == 2)[:, None, None]
    swapped[which] = pair.any(axis=2) | pair.any(axis=1)
    return swapped
