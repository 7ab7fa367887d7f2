"""Many ticks of one group at once, for as long as its state stands still.

Most of a year nothing happens: levels stay near their backgrounds, no evidence gathers, no alarm moves, and
each tick leaves the state as it found it. So suppose that it does, and judge many ticks at once as that many
copies of the group, each with the windows of its own tick. Where the copy of a tick leaves its state as it
was, the next began from what was supposed; the first that does not ends the stretch. What is kept is exactly
what one tick after the other would have given, by the same functions.

Backgrounds do move meanwhile, a little at each stride. What they will learn is worked out beforehand, one
stride after the other, supposing that nothing disturbs it; the copies behind get what was learned before
them, and where a copy has something else to teach than was supposed the stretch ends as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.change import Level
from hissmark.engine.copies import Array, Slot, copied, equal, sizes_of, slots_of
from hissmark.engine.intake import NEVER, US, Intake, Portion
from hissmark.engine.layout import LEVEL, PROCESS, Layout
from hissmark.engine.learning import learn_acoustics
from hissmark.engine.repaired import learn_from_repairs
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.stored import StoredTicks
from hissmark.engine.stretch_learning import Lessons, Standing, Teaching
from hissmark.engine.stretch_samples import Heard, Samples, before_idle, heard_after, picked, samples_of
from hissmark.engine.stretch_windows import SlidingWindows
from hissmark.signal.slots import Slots, condense

I64 = npt.NDArray[np.int64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

NOT_COMPARED = frozenset({"windows", "process", "acoustics", "strangers", "baseline", "step.said"})
"""Parts that every copy has its own of, or that only learning changes."""
MOVING = {
    "step.stroked_us": NEVER, "step.open_us": 0, "step.fell_us": NEVER, "step.rose_us": NEVER,
    "step.sudden_us": 0, "step.begun_us": 0,
    "alarms.until_us": 0, "repairs.heard_us": 0, "repairs.repaired_us": 0, "passed.heard_us": 0,
    "trends.start_us": 0,
}  # fmt: skip
"""Moments in the state, and what stands for none: each copy sees them as long ago as its own tick does."""


class Plan(NamedTuple):
    """Ticks to be judged at once: the first of them, how many, their samples."""

    at_us: int
    many: int
    samples: Samples
    heard: Heard


class Attempt(NamedTuple):
    """How many ticks left the state as it was, what was seen at all of them, what was learned ahead."""

    taken: int
    seen: Seen
    lessons: Lessons


class Stretch:
    """Copies of one group to judge up to `most` ticks in; one object serves all stretches of a replay."""

    def __init__(self, layout: Layout, most: int) -> None:
        self.layout, self.most = layout, most
        self.copies = Stepper(copied(layout, most))
        self._intake = Intake(self.copies.layout)
        self._sizes = sizes_of(layout)
        signal = layout.settings.signal
        self.possible = signal.tick_s % signal.slot_s == 0
        """Slots that reach over a tick's end are cut by it: then ticks are judged one by one."""
        self._step_us = signal.tick_s * US
        self._later: I64 = np.arange(most, dtype=np.int64) * self._step_us
        self._windows = SlidingWindows(len(layout.channels), self.copies.windows.size, self._later)
        self.copies.windows = self._windows
        self._teaching = Teaching(self.copies, self._windows, self._intake, len(layout.channels))
        self._known: dict[str, Array] = {}
        self._written: dict[str, Array] = {}
        self._tuned: dict[Level, Array] = {}

    def plan(self, ticks: StoredTicks, at_us: int, count: int) -> Plan:
        """The samples of up to `count` ticks from that at `at_us` on."""
        count = min(count, self.most)
        samples = samples_of(ticks, at_us, count)
        heard = heard_after(samples, ticks.intake, self.most)
        count = before_idle(heard.data_us, ticks.intake, at_us, self._step_us, count)
        return Plan(at_us, count, samples, heard)

    def attempt(self, stepper: Stepper, plan: Plan, standing: Standing) -> Attempt:
        """Judge the ticks of a plan at once. The backgrounds of `stepper` have learned ahead; see `keep`."""
        self._fill(stepper, plan.samples, plan.heard)
        lessons = self._teaching.ahead(stepper, plan.at_us, plan.many, standing)
        seen = self._judge(plan)
        taken = self._teaching.as_supposed(seen, lessons, self._taken(stepper, plan.many))
        if (stepper.passed.sounding >= 0).any():
            taken = 0  # a leak that has just ended is still to be remembered
        return Attempt(taken, seen, lessons)

    def keep(
        self, tried: Sequence[tuple[Stepper, Attempt]], ticks: StoredTicks, plan: Plan, taken: int
    ) -> None:
        """The first `taken` ticks of the plan count, for every stepper that tried; the rest never was."""
        for stepper, attempt in tried:
            self._teaching.undo(stepper, attempt.lessons, plan.at_us, taken)
            if taken:
                self._take_over(stepper, taken - 1)
        if taken:
            self._close(ticks, plan, taken)

    def _fill(self, stepper: Stepper, samples: Samples, heard: Heard) -> None:
        """Every copy as it would stand just before its tick is judged."""
        for have, want in self._pairs(stepper):
            if have.key not in self._known or not equal(self._known[have.key], have.array):
                want.put(self._seen_from_each(have))
                self._known[have.key] = have.array.copy()
                self._written[have.key] = want.array.copy()
        self._fill_acoustics(stepper)
        self._fill_tuned(stepper)
        self._fill_windows(stepper, samples)
        self._fill_process(stepper, samples)
        later = self._later[:, None]
        judged = np.where(heard.judged_us > NEVER, heard.judged_us - later, NEVER)
        self._intake.judged_us = judged.reshape(-1)
        self._intake.interval_us = heard.interval_us.reshape(-1)

    def _pairs(self, stepper: Stepper) -> list[tuple[Slot, Slot]]:
        return list(zip(slots_of(stepper, NOT_COMPARED), slots_of(self.copies, NOT_COMPARED), strict=True))

    def _seen_from_each(self, slot: Slot) -> Array:
        """The state of one group for every copy: moments are as long ago as the copy's tick sees them."""
        one = slot.by_copy(self._sizes)
        if slot.key not in MOVING:
            return one
        later = self._later.reshape(-1, *(1,) * (one.ndim - 1))
        none = MOVING[slot.key]
        # Negative is "open since, and measured" (see `State.open_us`): the same moment with a mark.
        shifted = np.where(one > 0, one - later, one + later)
        return np.where(one == none, np.broadcast_to(one, shifted.shape), shifted)

    def _fill_acoustics(self, stepper: Stepper) -> None:
        mine = {name: getattr(stepper.acoustics, name) for name in stepper.acoustics.STATE_GROUP}
        if all(name in self._known and equal(self._known[name], array) for name, array in mine.items()):
            return
        for name, array in mine.items():
            getattr(self.copies.acoustics, name)[...] = array
            self._known[name] = array.copy()
        self.copies.acoustics.refresh(np.arange(self.most))

    def _fill_tuned(self, stepper: Stepper) -> None:
        ours, theirs = stepper.tuned.overrides, self.copies.tuned.overrides
        if self._tuned and all(equal(self._tuned[level], array) for level, array in ours.items()):
            return
        self._tuned = {level: array.copy() for level, array in ours.items()}
        for level, array in ours.items():
            theirs[level][...] = np.concatenate([array] * self.most)
        self.copies.tuned.resolve()
        self.copies.retune()

    def _fill_windows(self, stepper: Stepper, samples: Samples) -> None:
        channels = len(self.layout.channels)
        slots, tick = self._slots(samples, channels)
        self._windows.fill(stepper.windows, slots, tick, (slots.channel % channels).astype(np.intp))

    def _slots(self, samples: Samples, channels: int) -> tuple[Slots, I64]:
        """Slot levels of all ticks; channels numbered as in the copies. And the tick of each."""
        role = self.layout.input_role[samples.input] - LEVEL
        level = role != PROCESS - LEVEL
        if not level.all():
            samples, role = samples.only(level), role[level]
        channel = samples.tick * channels + self.layout.input_channel[samples.input]
        slot_us = self.layout.settings.signal.slot_s * US
        slots = condense(channel.astype(np.int32), role, samples.time_us, samples.value, slot_us)
        return slots, (slots.channel // channels).astype(np.int64)

    def _fill_process(self, stepper: Stepper, samples: Samples) -> None:
        inputs = len(self.layout.input_series)
        latest = samples.latest(self.most, inputs)
        latest[:, self.layout.input_role != PROCESS] = -1
        before = np.concatenate((np.full((1, inputs), -1, np.int64), latest[:-1]))
        value = picked(samples.value[samples.ends], before, stepper.process.value)
        self.copies.process.value = value.reshape(-1)

    def _judge(self, plan: Plan) -> Seen:
        samples, at_us = plan.samples, plan.at_us
        process = self.layout.input_role[samples.input] == PROCESS
        mine = np.flatnonzero(process & (samples.tick < plan.many))
        inputs = samples.tick[mine] * len(self.layout.input_series) + samples.input[mine]
        order = np.argsort(inputs, kind="stable")
        mine = mine[order]
        portion = Portion(
            at_us, np.arange(self.most) < plan.many, inputs[order].astype(np.int32),
            samples.time_us[mine], samples.value[mine],
        )  # fmt: skip
        copies = self.copies
        copies.alarms.last.clear()
        seen = copies.examine(portion, self._intake)
        copies.decide(seen)
        if (copies.open_us > 0).any():
            self._known.pop("measured", None)
            learn_acoustics(
                copies, at_us, seen.on, seen.conditions, seen.signal, seen.baseline, seen.rise, seen.groups
            )
        learn_from_repairs(copies, at_us, seen.on, seen.signal, seen.blocked, seen.rise)
        return seen

    def _taken(self, stepper: Stepper, count: int) -> int:
        """How many copies left the state as it was, from the first on."""
        still = np.arange(self.most) < count
        for have, want in self._pairs(stepper):
            if _same_bytes(want.array, self._written[have.key]):
                continue  # quicker told than what is different
            before, after = self._seen_from_each(have), want.by_copy(self._sizes)
            same = after == before
            if after.dtype.kind == "f":
                same |= np.isnan(after) & np.isnan(before)
            left = same.reshape(self.most, -1).all(axis=1)
            if not left.all():
                self._known.pop(have.key, None)  # the copies are no longer what was written there
                still &= left
        return self.most if still.all() else int(still.argmin())

    def _take_over(self, stepper: Stepper, last: int) -> None:
        """Windows and process values as the copy of the last tick has them."""
        inputs = len(self.layout.input_series)
        self._windows.take_over(stepper.windows, last)
        for name in ("value", "low", "high"):
            array = getattr(self.copies.process, name)[last * inputs : (last + 1) * inputs]
            setattr(stepper.process, name, array.copy())

    def _close(self, ticks: StoredTicks, plan: Plan, taken: int) -> None:
        """The intake as the last tick leaves it."""
        last, intake, heard = taken - 1, ticks.intake, plan.heard
        intake.judged_us[...], intake.interval_us[...] = heard.judged_us[last], heard.interval_us[last]
        intake.heard[...], intake.data_us[0] = heard.heard[last], heard.data_us[last]
        intake.tick_us[0] = plan.at_us + self._later[last]
        ticks.drop(int(np.count_nonzero(plan.samples.tick < taken)))


def _same_bytes(one: Array, other: Array) -> bool:
    if not (one.flags.c_contiguous and other.flags.c_contiguous and one.shape == other.shape):
        return False
    word = np.uint64 if one.nbytes % 8 == 0 else np.uint8
    return bool((one.reshape(-1).view(word) == other.reshape(-1).view(word)).all())
