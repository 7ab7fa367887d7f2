"""What the backgrounds learn in a stretch: worked out beforehand, supposing that nothing disturbs it.

At each stride the backgrounds take a floor, and the ticks behind are judged by what they know then. A floor
does not depend on the backgrounds, so all of a stretch are read at once; only taking them in goes one by one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.baseline.bank import Heard as Floors
from hissmark.baseline.strides import Course, Strides, learn_strides
from hissmark.engine.copies import Array, slots_of
from hissmark.engine.intake import NEVER, Intake
from hissmark.engine.learning import calm_groups, disturbed, floors_of, learnable, take_floors
from hissmark.engine.measuring import Timing, spread_limits, timing_of, too_few
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.stretch_windows import SlidingWindows

F32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.intp]
I64 = npt.NDArray[np.int64]
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
        ticks: numbers of the ticks. floors: arrays [strides, ...]. before: the backgrounds before the first.
        step: float32[copies x channels], change of the floors since the tick before; NaN off the strides.
    """

    ticks: Ints
    floors: Floors
    before: dict[str, Array]
    step: F32


class Teaching:
    """Lets the backgrounds of a group learn ahead, and tells the copies that judge what they know when."""

    def __init__(self, copies: Stepper, windows: SlidingWindows, intake: Intake, channels: int) -> None:
        self._copies, self._windows, self._intake, self._channels = copies, windows, intake, channels
        self._most = len(copies.valve) // channels
        self._step_us = intake.tick_step_us

    def ahead(self, stepper: Stepper, at_us: int, count: int, standing: Standing) -> Lessons:
        """Learn at every stride of `count` ticks from that at `at_us` on, as the group stands."""
        ticks = self._ticks(stepper, at_us, count)
        due_us = at_us + ticks * self._step_us
        strides = self._strides(stepper, ticks, at_us, standing)
        before = _set_aside(stepper) if len(ticks) else {}
        floors = _supposed(stepper, strides, standing.mode)
        course = learn_strides(
            stepper.baselines,
            due_us,
            strides,
            np.full(self._channels, standing.mode, np.intp),
            stepper.free,
            stepper.tuned.spread_limit_db,
        )
        if course is None:
            fit = self._one_by_one(stepper, ticks, due_us, floors)
        else:
            fit = course.fit
            self._fill(stepper, 0, self._most)
            self._fill_course(ticks, course, standing.mode)
        return Lessons(ticks, floors._replace(fit=fit), before, self._spread(ticks, strides))

    def _one_by_one(self, stepper: Stepper, ticks: Ints, due_us: I64, floors: Floors) -> Bools:
        """Learn stride by stride, where more may come of it than following; what was fit to learn from."""
        began, fit = 0, floors.fit.copy()
        for number, tick in enumerate(ticks.tolist()):
            self._fill(stepper, began, tick + 1)
            began = tick + 1
            with np.errstate(invalid="ignore"):
                fit[number] &= ~(floors.spread[number] > spread_limits(stepper))
            take_floors(stepper, int(due_us[number]), _stride(floors._replace(fit=fit), number))
        self._fill(stepper, began, self._most)
        return fit

    def undo(self, stepper: Stepper, lessons: Lessons, at_us: int, taken: int) -> None:
        """Only the lessons of the first `taken` ticks were learned."""
        if not (lessons.ticks >= taken).any():
            return
        for slot in slots_of(stepper, NOT_LEARNED):
            slot.array[...] = lessons.before[slot.key]
        for number, tick in enumerate(lessons.ticks.tolist()):
            if tick < taken:
                take_floors(stepper, at_us + tick * self._step_us, _stride(lessons.floors, number))

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

    def _strides(self, stepper: Stepper, ticks: Ints, at_us: int, standing: Standing) -> Strides:
        rows = (ticks[:, None] * self._channels + np.arange(self._channels)).reshape(-1)
        whole, shape = timing_of(self._copies, self._intake), (len(ticks), self._channels)
        # all of them: the judgement asks for these once more
        levels = self._windows.measure(slice(None), at_us, whole.length_us).of(rows)
        timing = Timing(*(array[rows] for array in whole))
        before = self._windows.floors(rows, at_us - self._step_us, timing.length_us)
        with np.errstate(invalid="ignore"):
            drifting = np.abs(levels.drift).reshape(shape) > stepper.tuned.drift_limit_db
        step = np.asarray(levels.low - before, np.float32)
        steady = ~(too_few(stepper, levels, timing).reshape(shape) | drifting)
        last_us, later_us = timing.last_us.reshape(shape), (ticks * self._step_us)[:, None]
        return Strides(
            levels.low.reshape(shape), (levels.high - levels.low).reshape(shape), step.reshape(shape),
            np.where(last_us > 0, last_us + later_us, 0),
            learnable(standing.blocked) & steady & self._undisturbed(stepper, at_us + later_us),
        )  # fmt: skip

    def _spread(self, ticks: Ints, strides: Strides) -> F32:
        step = np.full((self._most, self._channels), np.nan, np.float32)
        step[ticks] = strides.step
        return step.reshape(-1)

    def _undisturbed(self, stepper: Stepper, due_us: I64) -> Bools:
        """Strides at which nothing is open or has just been stroked, bool[strides, 1]."""
        still = np.ones(due_us.shape, bool)
        if stepper.open_us.any() or (stepper.stroked_us > NEVER).any():
            still[:, 0] = [not disturbed(stepper, at_us).any() for at_us in due_us[:, 0].tolist()]
        return still

    def _fill(self, stepper: Stepper, begin: int, end: int) -> None:
        """Copies from `begin` to `end` know the backgrounds as they are now."""
        mine, theirs = stepper.baselines, self._copies.baselines
        for name in LEARNED:
            array = getattr(mine, name)
            rows = getattr(theirs, name).reshape(self._most, len(array), *array.shape[1:])
            rows[begin:end] = array[None]

    def _fill_course(self, ticks: Ints, course: Course, mode: int) -> None:
        """Every copy knows what was learned before its tick."""
        learned = np.searchsorted(ticks, np.arange(self._most))
        theirs, shape = self._copies.baselines, (self._most, self._channels)
        theirs.value.reshape(*shape, -1)[:, :, mode] = course.value[learned]
        theirs.usual_spread.reshape(shape)[...] = course.spread[learned]
        theirs.usual_step.reshape(shape)[...] = course.step[learned]

    def _same(self, taught: Floors, lessons: Lessons) -> Bools:
        """Which lessons were as supposed, bool[strides]."""
        ticks, same = lessons.ticks, np.ones(len(lessons.ticks), bool)
        for name, supposed in zip(Floors._fields, lessons.floors, strict=True):
            array = getattr(taught, name).reshape(self._most, -1)[ticks]
            if name == "last_us":
                array = np.where(array > 0, array + (ticks * self._step_us)[:, None], 0)
            alike = array == supposed
            if array.dtype.kind == "f":
                alike |= np.isnan(array) & np.isnan(np.asarray(supposed))
            same &= alike.all(axis=1)
        return same


def _set_aside(stepper: Stepper) -> dict[str, Array]:
    """What learning may change, as it is now."""
    return {slot.key: slot.array.copy() for slot in slots_of(stepper, NOT_LEARNED)}


def _supposed(stepper: Stepper, strides: Strides, mode: int) -> Floors:
    """What strides have to teach if the group stands as it stood, but for their spread; [strides, ...]."""
    every = np.broadcast_to(True, strides.fit.shape)
    groups = (len(every), 1)
    return Floors(
        strides.floor, strides.spread, strides.step, strides.last_us, strides.fit,
        np.broadcast_to(np.intp(mode), every.shape), every, every, np.broadcast_to(False, groups),
        np.broadcast_to(stepper.named.astype(np.intp), groups), ~every,
    )  # fmt: skip


def _stride(floors: Floors, number: int) -> Floors:
    """What one of the strides has to teach."""
    return Floors(*(array[number] for array in floors))
