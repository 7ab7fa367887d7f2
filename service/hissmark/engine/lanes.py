"""The hearing and learning part of a group for many variants at once, shared by those that need not differ.

A *lane* is a copy of the group that hears and learns for the variants that have decided alike so far. All
lanes are copies in one stepper, so that many cost little more than one. Variants that decide differently part
before what they decided can matter; lanes that have come to the same state join again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.change import Level
from hissmark.engine.copies import Slot, copied, equal, sizes_of, slots_of
from hissmark.engine.intake import Intake, Portion
from hissmark.engine.laid import laid_out
from hissmark.engine.layout import Layout
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.stretch_learning import Standing
from hissmark.engine.variants import HEARING, Decisions

Array = npt.NDArray[Any]
Ints = npt.NDArray[np.intp]

FEWEST = 2
"""Copies there is room for at first; doubled when more lanes are needed."""
NOT_APART = frozenset({"windows", "process", "alarms", "trends", "step.said", "step.retest"})
"""State that is the same in all lanes, or that only deciding uses."""


class Lanes:
    """Lanes of one group.

    `of`: int[variants], the copy that each variant is heard by. `used`: those copies, ascending.
    """

    def __init__(self, layout: Layout, source: Stepper, variants: int, standing: Standing | None) -> None:
        self.layout = layout
        self.of: Ints = np.zeros(variants, np.intp)
        self._place(slice(None), 0)
        self._channels, self._inputs = len(layout.channels), len(layout.input_series)
        self._sizes = sizes_of(layout)
        self._standing: dict[int, Standing] = {} if standing is None else {0: standing}
        self._ahead: set[int] = set()
        self._make_room(FEWEST)
        self._singles: dict[int, Stepper] = {0: source}
        self.put(0, source)
        self.most = 1
        """The most lanes that there were."""

    def _make_room(self, copies: int) -> None:
        self._stepper = Stepper(copied(self.layout, copies))
        self._intake = Intake(self._stepper.layout)
        self._heard_as: Ints = np.arange(copies)
        self._room = copies

    @property
    def stepper(self) -> Stepper:
        """All lanes as copies in one stepper; see `goes_on`."""
        while self._ahead:
            lane = self._ahead.pop()
            self._put(lane, self._singles[lane])
        return self._stepper

    def _place(self, variants: npt.NDArray[np.bool_] | slice, lanes: Ints | int) -> None:
        """These variants are heard by those copies from now on."""
        self.of[variants] = lanes
        self.used, self._first, number = np.unique(self.of, return_index=True, return_inverse=True)
        self._leader = self._first[number]

    @property
    def rows(self) -> Ints:
        """Channels of the lanes, variant by variant."""
        return (self.of[:, None] * self._channels + np.arange(self._channels)).reshape(-1)

    def firsts(self) -> list[tuple[int, int]]:
        """Each copy with the first variant that it hears for."""
        return list(zip(self.used.tolist(), self._first.tolist(), strict=True))

    # --- parting and joining ---

    def part(self, marks: Array) -> None:
        """Variants of one lane whose `marks` ([variants, ...]) differ get lanes of their own."""
        plain = np.ascontiguousarray(marks.reshape(len(marks), -1))
        if np.array_equal(plain, plain[self._leader]):
            return  # as nearly always
        alike = plain.view(np.dtype((np.void, plain.strides[0]))).reshape(-1)
        _, kind = np.unique(alike, return_inverse=True)
        both = self.of * len(marks) + kind.reshape(-1)
        found, first = np.unique(both, return_index=True)
        if len(found) == len(self.used):
            return
        kept: set[int] = set()
        for number, v in sorted(zip(found.tolist(), first.tolist(), strict=True), key=lambda row: row[1]):
            lane = int(self.of[v])
            if lane in kept:
                self._place(both == number, self._copy_of(lane))
            kept.add(lane)
        self.stepper.tuned.resolve()
        self.stepper.retune()
        self.most = max(self.most, len(self.used))

    def _copy_of(self, lane: int) -> int:
        free = np.setdiff1d(np.arange(self._room), self.used)
        if not len(free):
            free = self._grow()
        target = int(free[0])
        learned = self._copy(self.stepper, lane, self.stepper, target)
        for array in self.stepper.tuned.overrides.values():
            each = len(array) // self._room
            array[target * each : (target + 1) * each] = array[lane * each : (lane + 1) * each]
        if learned:
            self.stepper.acoustics.refresh(np.array([target]))
        self._heard_as[target] = self._heard_as[lane]
        if lane in self._standing:
            self._standing[target] = self._standing[lane]
        return target

    def _grow(self) -> Ints:
        """Twice the room; returns the copies that are free then."""
        before, heard_as, had = self.stepper, self._heard_as, self._room
        self._make_room(2 * had)
        for old, new in zip(slots_of(before), slots_of(self.stepper), strict=True):
            for copy in range(had):
                _rows(new, copy, self._sizes)[...] = _rows(old, copy, self._sizes)
        for level, array in before.tuned.overrides.items():
            self.stepper.tuned.overrides[level][: len(array)] = array
        self.stepper.acoustics.refresh(np.arange(had))
        self._heard_as[:had], self._heard_as[had:] = heard_as, 0
        return np.arange(had, 2 * had)

    def join(self) -> None:
        """Lanes that have come to the same state are one again."""
        used = self.used
        label = np.zeros(len(used), np.intp)
        tuned = self.stepper.tuned
        arrays = [getattr(tuned, name).reshape(self._room, -1) for name in HEARING]
        arrays += [slot.by_copy(self._sizes) for slot in slots_of(self.stepper, NOT_APART)]
        for array in arrays:
            label = _told_apart(label, array[used])
            if label.max() == len(used) - 1:
                return
        first = np.array([used[(label == k).argmax()] for k in range(label.max() + 1)])
        self._place(slice(None), first[label[np.searchsorted(used, self.of)]])

    # --- ticks ---

    def stand(self, decisions: Decisions) -> None:
        """Every lane sees what its variants have decided."""
        used, first = self.used, self._first
        passing = self.stepper.passing.reshape(self._room, -1)
        active = self.stepper.alarms.active[0].reshape(self._room, -1)
        passing[used] = decisions.stepper.passing.reshape(-1, self._channels)[first]
        active[used] = decisions.stepper.alarms.active[0].reshape(-1, self._channels)[first]

    def examine(self, portion: Portion, intake: Intake) -> Seen:
        """Hear one tick in every lane."""
        used = self.used
        on = np.zeros(self._room, bool)
        on[used] = True
        self._intake.judged_us = np.tile(intake.judged_us, self._room)
        self._intake.interval_us = np.tile(intake.interval_us, self._room)
        inputs = (used[:, None] * self._inputs + portion.input[None]).reshape(-1)
        times, values = np.tile(portion.time_us, len(used)), np.tile(portion.value, len(used))
        everything = Portion(portion.at_us, on, inputs.astype(np.int32), times, values)
        self._heard_as = np.arange(self._room)
        seen = self.stepper.examine(everything, self._intake)
        self._standing = {lane: Standing.of(seen, lane) for lane in used.tolist()}
        return seen

    def for_variants(self, seen: Seen, target: Stepper) -> Seen:
        """What was heard as each variant sees it; `target` gets what else it decides by."""
        mine, rows = self.stepper, self.rows
        target.evidence, target.lead_s = mine.evidence[rows], mine.lead_s[rows]
        target.health.code = mine.health.code[rows]
        target.baselines.usual_step = mine.baselines.usual_step[rows]
        target.acoustics.coupling_sd_db = mine.acoustics.coupling_sd_db[self.of]
        if self.layout.suppress:
            target.process.value = mine.process.value.reshape(self._room, -1)[self.of].reshape(-1)
        return laid_out(seen, self.of, self._channels)

    def learn(self, seen: Seen) -> None:
        """What the tick teaches every lane, also those that have parted since it was heard."""
        if len(seen.portion.groups) != self._room or (self._heard_as != np.arange(self._room)).any():
            on = np.zeros(self._room, bool)
            on[self.used] = True
            seen = laid_out(seen, self._heard_as, self._channels, on)
        self.stepper.learn(seen)

    # --- one by one ---

    def standing(self, lane: int) -> Standing | None:
        """How a lane stood at its last tick."""
        return self._standing.get(lane)

    def stood(self, lane: int, standing: Standing) -> None:
        """Ticks were judged elsewhere; after them the lane stands like this."""
        self._standing[lane] = standing

    def single(self, lane: int) -> Stepper:
        """A lane as a stepper of its own; see `put`."""
        if lane not in self._singles:
            self._singles[lane] = Stepper(self.layout)
        stepper = self._singles[lane]
        if self._copy(self.stepper, lane, stepper, 0):
            stepper.acoustics.refresh(np.arange(1))
        for level, array in self.stepper.tuned.overrides.items():
            each = len(array) // self._room
            stepper.tuned.overrides[level][...] = array[lane * each : (lane + 1) * each]
        stepper.tuned.resolve()
        stepper.retune()
        return stepper

    def _copy(self, source: Stepper, copy: int, target: Stepper, to: int) -> bool:
        """Copy one copy's state; whether what was learned of losses differs, so that more has to be worked
        out."""
        differs = False
        for have, want in zip(slots_of(source), slots_of(target), strict=True):
            mine, theirs = _rows(have, copy, self._sizes), _rows(want, to, self._sizes)
            if have.holder is source.acoustics:
                differs |= not equal(mine, theirs)
            theirs[...] = mine
        return differs

    def put(self, lane: int, stepper: Stepper) -> None:
        """Take a lane's state, but for settings, from a stepper of its own."""
        self._ahead.discard(lane)
        self._put(lane, stepper)

    def _put(self, lane: int, stepper: Stepper) -> None:
        if self._copy(stepper, 0, self._stepper, lane):
            self._stepper.acoustics.refresh(np.array([lane]))

    def ongoing(self, lane: int) -> Stepper:
        """The same as `single`, not copied anew where nothing happened to the lane since `goes_on`."""
        return self._singles[lane] if lane in self._ahead else self.single(lane)

    def goes_on(self, lane: int) -> None:
        """The lane is now what its single stepper is, which is put back once somebody asks: stretch follows
        upon stretch, and none of them needs the lanes side by side."""
        self._ahead.add(lane)

    def tune(self, lane: int, overrides: Mapping[Level, Array]) -> None:
        """A lane's settings at their levels; see `retune`."""
        for level, array in self.stepper.tuned.overrides.items():
            each = len(array) // self._room
            array[lane * each : (lane + 1) * each] = overrides[level]

    def retune(self) -> None:
        """The settings of lanes were changed."""
        self.stepper.tuned.resolve()
        self.stepper.retune()


def _rows(slot: Slot, copy: int, sizes: Mapping[str, int]) -> Array:
    """The rows of one copy, to be read and written."""
    array = np.swapaxes(slot.array, 0, 1) if slot.axis == "alarm" else slot.array
    size = sizes[slot.axis]
    return array[copy * size : (copy + 1) * size]


def _told_apart(label: Ints, array: Array) -> Ints:
    """Labels 0, 1, ... of rows that had the same label and are the same to the last bit."""
    plain = np.ascontiguousarray(array.reshape(len(label), -1)).view(np.uint8)
    if (plain == plain[0]).all():
        return label
    known: dict[tuple[int, bytes], int] = {}
    rows = zip(label.tolist(), plain, strict=True)
    return np.array([known.setdefault((k, row.tobytes()), len(known)) for k, row in rows], np.intp)
