"""What the backgrounds learn in a stretch: worked out beforehand, supposing that nothing disturbs it.

At each stride the backgrounds take a floor, and the ticks behind are judged by what they know then. A floor
does not depend on the backgrounds, so all of a stretch are read at once; only taking them in goes one by one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.baseline.bank import Heard as Floors
from hissmark.engine.copies import Array, equal, slots_of
from hissmark.engine.intake import Intake
from hissmark.engine.learning import calm_groups, fit_to_learn, floors_of, take_floors
from hissmark.engine.measuring import Timing, timing_of, unsteady_of
from hissmark.engine.step import Seen, Stepper
from hissmark.signal.windows import WindowLevels

F32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.intp]

NOT_LEARNED = frozenset({"windows", "process", "acoustics", "health", "repairs", "trends", "step", "alarms"})
LEARNED = ("value", "scale", "anchor", "usual_spread", "usual_step", "modes")
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
    """What the windows say at the strides; arrays over strides times channels."""

    levels: WindowLevels
    step: F32
    timing: Timing


class Teaching:
    """Lets the backgrounds of a group learn ahead, and tells the copies that judge what they know when."""

    def __init__(self, copies: Stepper, intake: Intake, channels: int) -> None:
        self._copies, self._intake, self._channels = copies, intake, channels
        self._most = len(copies.valve) // channels
        self._step_us = intake.tick_step_us

    def ahead(self, stepper: Stepper, at_us: int, count: int, standing: Standing) -> Lessons:
        """Learn at every stride of `count` ticks from that at `at_us` on, as the group stands."""
        ticks = self._ticks(stepper, at_us, count)
        strides = self._strides(ticks, at_us)
        lessons = Lessons(ticks, [], _set_aside(stepper) if len(ticks) else {}, self._spread(ticks, strides))
        began = 0
        for number, tick in enumerate(ticks.tolist()):
            self._fill(stepper, began, tick + 1)
            began = tick + 1
            lessons.floors.append(self._supposed(stepper, at_us, tick, _one(strides, number, self._channels),
                                                 standing))  # fmt: skip
            take_floors(stepper, at_us + tick * self._step_us, lessons.floors[-1])
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
            copies, seen.portion, seen.on, seen.signal, lessons.step, seen.blocked, seen.groups, calm
        )
        for tick, floors in zip(lessons.ticks.tolist(), lessons.floors, strict=True):
            if tick < taken and not self._same(taught, floors, tick):
                return int(tick)
        return taken

    def _ticks(self, stepper: Stepper, at_us: int, count: int) -> Ints:
        stride_us = stepper.baselines.stride_us
        first_us = -(-at_us // stride_us) * stride_us
        return np.arange((first_us - at_us) // self._step_us, count, stride_us // self._step_us)

    def _strides(self, ticks: Ints, at_us: int) -> Strides:
        rows = (ticks[:, None] * self._channels + np.arange(self._channels)).reshape(-1)
        timing = Timing(*(array[rows] for array in timing_of(self._copies, self._intake)))
        windows = self._copies.windows
        levels = windows.measure(rows, at_us, timing.length_us)
        before = windows.measure(rows, at_us - self._step_us, timing.length_us).low
        return Strides(levels, np.asarray(levels.low - before, np.float32), timing)

    def _spread(self, ticks: Ints, strides: Strides) -> F32:
        step = np.full((self._most, self._channels), np.nan, np.float32)
        step[ticks] = strides.step.reshape(-1, self._channels)
        return step.reshape(-1)

    def _supposed(
        self, stepper: Stepper, at_us: int, tick: int, stride: Strides, standing: Standing
    ) -> Floors:
        """What the tick has to teach, if the group stands as it stood."""
        channels, later_us = self._channels, tick * self._step_us
        levels, last_us = stride.levels, stride.timing.last_us
        unsteady = unsteady_of(stepper, levels, stride.timing)
        everyone = np.ones(channels, bool)
        return Floors(
            levels.low, levels.high - levels.low, stride.step,
            np.where(last_us > 0, last_us + later_us, 0),
            fit_to_learn(stepper, at_us + later_us, standing.blocked, unsteady),
            np.full(channels, standing.mode, np.intp), everyone, everyone, np.zeros(1, bool),
        )  # fmt: skip

    def _fill(self, stepper: Stepper, begin: int, end: int) -> None:
        """Copies from `begin` to `end` know the backgrounds as they are now."""
        mine, theirs = stepper.baselines, self._copies.baselines
        for name in LEARNED:
            array = getattr(mine, name)
            rows = getattr(theirs, name).reshape(self._most, len(array), *array.shape[1:])
            rows[begin:end] = array[None]

    def _same(self, taught: Floors, supposed: Floors, tick: int) -> bool:
        later_us = tick * self._step_us
        mine = slice(tick * self._channels, (tick + 1) * self._channels)
        last_us = taught.last_us[mine]
        own: list[Array] = [array[mine] for array in taught[:-1]]
        own[Floors._fields.index("last_us")] = np.where(last_us > 0, last_us + later_us, 0)
        own.append(taught.strange[tick : tick + 1])
        thought: list[Array] = [*supposed[:-1], supposed.strange]
        return all(equal(a, b) for a, b in zip(own, thought, strict=True))


def _one(strides: Strides, number: int, channels: int) -> Strides:
    """One of the strides."""
    mine = slice(number * channels, (number + 1) * channels)
    return Strides(
        WindowLevels._make(array[mine] for array in strides.levels),
        strides.step[mine],
        Timing._make(array[mine] for array in strides.timing),
    )


def _set_aside(stepper: Stepper) -> dict[str, Array]:
    """What learning may change, as it is now."""
    return {slot.key: slot.array.copy() for slot in slots_of(stepper, NOT_LEARNED)}
