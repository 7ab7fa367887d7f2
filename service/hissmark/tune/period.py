"""A period of some groups, replayed from the store under several settings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.recovery import action_of
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change
from hissmark.engine.copies import one_group
from hissmark.engine.layout import Layout
from hissmark.engine.rerun import Recorded, Rerun
from hissmark.engine.trials import Trials
from hissmark.engine.variants import Variant
from hissmark.store.reader import Reader
from hissmark.store.recall import judged_once
from hissmark.tune.request import Request

SLICE_ROWS = 500_000
"""Samples offered before ticks are judged: bounds memory, and is long enough for long stretches."""
Progress = Callable[[int], bool]
"""Called with the event time reached; False stops the replay."""


class StoppedError(Exception):
    """Somebody called the replay off."""


@dataclass
class Outcome:
    """What came out of some groups.

    Attributes:
        before: entries of the time before the period, under the settings in force.
        entries: per variant, those of the period. samples, ticks, singly: what it took.
        began_us: first sample that was used; None if there was none.
    """

    before: list[JournalEntry]
    entries: list[list[JournalEntry]]
    samples: int = 0
    ticks: int = 0
    singly: int = 0
    began_us: int | None = None


@dataclass
class _Course:
    """One group on its way: learning before the period, then under every variant."""

    rerun: Rerun
    variants: Sequence[Variant]
    trials: Trials | None = None
    before: list[JournalEntry] = field(default_factory=list)

    def offer(self, batch: Batch) -> None:
        (self.trials or self.rerun).offer(batch)

    def learn(self, before_us: int) -> None:
        self.before += self.rerun.advance(before_us)

    def begin(self) -> None:
        self.trials = Trials(self.rerun, self.variants)

    @property
    def counts(self) -> tuple[int, int]:
        """Ticks judged, and of them one by one."""
        judged, singly = self.rerun.judged, self.rerun.singly
        if self.trials is not None:
            judged, singly = judged + self.trials.judged, singly + self.trials.singly
        return judged, singly


def replay(
    layout: Layout, reader: Reader, groups: Sequence[str], request: Request, progress: Progress
) -> Outcome:
    """Replay the groups: learn from the time before the period, then run every variant through it.

    Raises StoppedError if `progress` says so.
    """
    changes, actions = _recorded(reader)
    variants = request.variants()
    courses = [_Course(Rerun(one_group(layout, group), changes, actions), variants) for group in groups]
    outcome = Outcome([], [[] for _ in variants])
    begin_us = request.from_us - request.before_us
    for batch in _slices(reader, layout, groups, begin_us, request.from_us):
        _offer(courses, layout, batch, outcome)
        _go_on(progress, int(batch.time_us[-1]))
        for course in courses:
            course.learn(min(int(batch.time_us[-1]), request.from_us))
    for course in courses:
        course.learn(request.from_us)
        course.begin()
    for batch in _slices(reader, layout, groups, request.from_us, request.to_us):
        _offer(courses, layout, batch, outcome)
        _run(courses, outcome, int(batch.time_us[-1]))
        _go_on(progress, int(batch.time_us[-1]))
    _run(courses, outcome, request.to_us)
    outcome.before = [entry for course in courses for entry in course.before]
    counted = [course.counts for course in courses]
    outcome.ticks, outcome.singly = sum(c[0] for c in counted), sum(c[1] for c in counted)
    return outcome


def _go_on(progress: Progress, at_us: int) -> None:
    if not progress(at_us):
        raise StoppedError


def _run(courses: list[_Course], outcome: Outcome, upto_us: int) -> None:
    for course in courses:
        if course.trials is not None:
            for variant, entry in course.trials.advance(upto_us):
                outcome.entries[variant].append(entry)


def _offer(courses: list[_Course], layout: Layout, batch: Batch, outcome: Outcome) -> None:
    """Deal the samples out to the groups that hear them."""
    outcome.samples += len(batch)
    if outcome.began_us is None and len(batch):
        outcome.began_us = int(batch.time_us[0])
    for course in courses:
        own = course.rerun.layout
        index = {name: i for i, name in enumerate(own.names)}
        table = np.array([index.get(name, -1) for name in layout.names], np.int32)
        series = table[batch.series]
        mine = series >= 0
        course.offer(Batch(series[mine], batch.time_us[mine], batch.value[mine], batch.flags[mine]))


def _slices(
    reader: Reader, layout: Layout, groups: Sequence[str], from_us: int, to_us: int
) -> Iterator[Batch]:
    """The groups' samples that were judged, by time, in large pieces."""
    numbers = [layout.group_names.index(group) for group in groups]
    wanted = np.unique(layout.input_series[np.isin(layout.input_group, numbers)])
    names = [layout.names[i] for i in wanted.tolist()]
    waiting: list[Batch] = []
    for batch in reader.raw(names, from_us, to_us):
        known = Batch(wanted[batch.series].astype(np.int32), batch.time_us, batch.value, batch.flags)
        waiting.append(judged_once(known, layout))
        if sum(map(len, waiting)) >= SLICE_ROWS:
            yield _joined(waiting)
            waiting = []
    if sum(map(len, waiting)):
        yield _joined(waiting)


def _joined(parts: list[Batch]) -> Batch:
    columns = ("series", "time_us", "value", "flags")
    return Batch(*(np.concatenate([getattr(p, name) for p in parts]) for name in columns))


def _recorded(reader: Reader) -> tuple[list[Change], list[Recorded]]:
    """Changes and operators' actions on record that were applied, in order of their numbers."""
    changes = [row.change for row in reader.changes_after(0) if row.applied_after_us is not None]
    actions: list[Recorded] = []
    before: int | None = None
    while page := reader.actions(before_id=before, limit=500):
        actions += [(r.applied_after_us, action_of(r)) for r in page if r.applied_after_us is not None]
        before = page[-1].id
    return changes, actions[::-1]
