"""What the backgrounds learn in a stretch: worked out beforehand, supposing that nothing disturbs it.

At each stride the backgrounds take a floor, and the ticks behind are judged by what they know then. A floor
does not depend on the backgrounds, so all of a stretch are read at once; only taking them in goes one by one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.baseline.bank import Heard as Floors
from hissmark.engine.copies import Array, slots_of
from hissmark.engine.intake import NEVER, Intake
from hissmark.engine.learning import calm_groups, disturbed, floors_of, learnable, take_floors
from hissmark.engine.measuring import Timing, spread_limits, timing_of, too_few
from hissmark.engine.step import Seen, Stepper

F32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

NOT_LEARNED = frozenset({"windows", "process", "acoustics", "health", "repairs", "trends", "step", "alarms"})
LEARNED = ("value", "scale", "anchor", "usual_spread", "usual_step", "modes", "found_in")
"""What a tick reads of the backgrounds."""


class Standing(NamedTuple):
    """How the group stood at its last tick: `Reason` codes uint8[channels], operating condition."""

    blocked: npt.NDArray[np.uint8]
    mode: int

    @classmethod
    def of(cls, seen: Seen, copy: int = 0) -> Standing:
        """After the tick of a copy."""
        channels = len(seen.blocked) // len(seen.groups.mode)
        mine = slice(copy * channels, (copy + 1) * channels)
        return cls(seen.blocked[mine].copy(), int(seen.groups.mode[copy]))


class Lessons(NamedTuple):
    """What the backgrounds take at the strides of a stretch, supposed.

    Attributes:
        ticks: numbers of the ticks. floors: of each. before: the backgrounds before the first of them.
        step: float32[copies x channels], change of the floors since the tick before; NaN off the strides.
    """

    ticks: Ints
    floors: list[Floors]
    before: dict[str, Array]
    step: F32


class Strides(NamedTuple):
    """What the windows say at the strides; arrays [strides, channels].

    Attributes:
        floor, spread, step: float32, dB. last_us: int64, newest sample.
        steady: bool, but for the spread.
    """

    floor: F32
    spread: F32
    step: F32
    last_us: npt.NDArray[np.int64]
    steady: Bools


class Teaching:
    """Lets the backgrounds of a group learn ahead, and tells the copies that judge what they know when."""

    def __init__(self, copies: Stepper, intake: Intake, channels: int) -> None:
        self._copies, self._intake, self._channels = copies, intake, channels
        self._most = len(copies.valve) // channels
        self._step_us = intake.tick_step_us

    def ahead(self, stepper: Stepper, at_us: int, count: int, standing: Standing) -> Lessons:
        """Learn at every stride of `count` ticks from that at `at_us` on, as the group stands."""
        ticks = self._ticks(stepper, at_us, count)
        strides = self._strides(stepper, ticks, at_us)
        free = learnable(standing.blocked) & strides.steady & self._undisturbed(stepper, ticks, at_us)
        lessons = Lessons(ticks, [], _set_aside(stepper) if len(ticks) else {}, self._spread(ticks, strides))
        began = 0
        for number, tick in enumerate(ticks.tolist()):
            self._fill(stepper, began, tick + 1)
            began = tick + 1
            floors = self._supposed(stepper, number, strides, free[number], standing.mode)
            lessons.floors.append(floors)
            take_floors(stepper, at_us + tick * self._step_us, floors)
        self._fill(stepper, began, self._most)
        return lessons

    def undo(self, stepper: Stepper, lessons: Lessons, at_us: int, taken: int) -> None:
        """Only the lessons of the first `taken` ticks were learned."""
        if not (lessons.ticks >= taken).any():
            return
        for slot in slots_of(stepper, NOT_LEARNED):
            slot.array[...] = lessons.before[slot.key]
        for tick, floors in zip(lessons.ticks.tolist(), lessons.floors, strict=True):
            if tick < taken:
                take_floors(stepper, at_us + tick * self._step_us, floors)

    def as_supposed(self, seen: Seen, lessons: Lessons, taken: int) -> int:
        """How many of the `taken` ticks taught what they were supposed to."""
        if not (lessons.ticks < taken).any():
            return taken
        copies = self._copies
        calm = calm_groups(copies, seen.groups, seen.on)
        taught = floors_of(
            copies,
            seen.portion,
            seen.on,
            seen.conditions,
            seen.signal,
            lessons.step,
            seen.blocked,
            seen.groups,
            calm,
        )
        differs = lessons.ticks[(lessons.ticks < taken) & ~self._same(taught, lessons)]
        return int(differs[0]) if len(differs) else taken

    def _ticks(self, stepper: Stepper, at_us: int, count: int) -> Ints:
        stride_us = stepper.baselines.stride_us
        first_us = -(-at_us // stride_us) * stride_us
        return np.arange((first_us - at_us) // self._step_us, count, stride_us // self._step_us)

    def _strides(self, stepper: Stepper, ticks: Ints, at_us: int) -> Strides:
        rows = (ticks[:, None] * self._channels + np.arange(self._channels)).reshape(-1)
        timing = Timing(*(array[rows] for array in timing_of(self._copies, self._intake)))
        windows, shape = self._copies.windows, (len(ticks), self._channels)
        levels = windows.measure(rows, at_us, timing.length_us)
        before = windows.measure(rows, at_us - self._step_us, timing.length_us).low
        with np.errstate(invalid="ignore"):
            drifting = np.abs(levels.drift).reshape(shape) > stepper.tuned.drift_limit_db
        step = np.asarray(levels.low - before, np.float32)
        last_us, later_us = timing.last_us.reshape(shape), (ticks * self._step_us)[:, None]
        return Strides(
            levels.low.reshape(shape), (levels.high - levels.low).reshape(shape), step.reshape(shape),
            np.where(last_us > 0, last_us + later_us, 0), ~(too_few(stepper, levels, timing).reshape(shape)
            | drifting),
        )  # fmt: skip

    def _spread(self, ticks: Ints, strides: Strides) -> F32:
        step = np.full((self._most, self._channels), np.nan, np.float32)
        step[ticks] = strides.step
        return step.reshape(-1)

    def _undisturbed(self, stepper: Stepper, ticks: Ints, at_us: int) -> Bools:
        """Strides at which nothing is open or has just been stroked, bool[strides, 1]."""
        later_us = (ticks * self._step_us).tolist()
        if not (stepper.open_us.any() or (stepper.stroked_us > NEVER).any()):
            return np.ones((len(later_us), 1), bool)
        return np.array([~disturbed(stepper, at_us + later) for later in later_us], bool).reshape(-1, 1)

    def _supposed(self, stepper: Stepper, number: int, strides: Strides, free: Bools, mode: int) -> Floors:
        """What a stride has to teach, if the group stands as it stood."""
        spread = strides.spread[number]
        with np.errstate(invalid="ignore"):
            steady = ~(spread > spread_limits(stepper))
        everyone = np.ones(self._channels, bool)
        return Floors(
            strides.floor[number], spread, strides.step[number], strides.last_us[number], free & steady,
            np.full(self._channels, mode, np.intp), everyone, everyone, np.zeros(1, bool),
            stepper.named.astype(np.intp), ~everyone,
        )  # fmt: skip

    def _fill(self, stepper: Stepper, begin: int, end: int) -> None:
        """Copies from `begin` to `end` know the backgrounds as they are now."""
        mine, theirs = stepper.baselines, self._copies.baselines
        for name in LEARNED:
            array = getattr(mine, name)
            rows = getattr(theirs, name).reshape(self._most, len(array), *array.shape[1:])
            rows[begin:end] = array[None]

    def _same(self, taught: Floors, lessons: Lessons) -> Bools:
        """Which lessons were as supposed, bool[strides]."""
        ticks, same = lessons.ticks, np.ones(len(lessons.ticks), bool)
        for name in Floors._fields:
            supposed = np.stack([getattr(floors, name) for floors in lessons.floors])
            array = getattr(taught, name).reshape(self._most, -1)[ticks]
            if name == "last_us":
                array = np.where(array > 0, array + (ticks * self._step_us)[:, None], 0)
            alike = array == supposed
            if array.dtype.kind == "f":
                alike |= np.isnan(array) & np.isnan(supposed)
            same &= alike.all(axis=1)
        return same


def _set_aside(stepper: Stepper) -> dict[str, Array]:
    """What learning may change, as it is now."""
    return {slot.key: slot.array.copy() for slot in slots_of(stepper, NOT_LEARNED)}
