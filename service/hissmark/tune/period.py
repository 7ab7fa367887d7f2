"""A period of some groups, replayed from the store under several settings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.recovery import action_of
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change
from hissmark.engine.intake import IDLE_S, US
from hissmark.engine.rerun import Recorded
from hissmark.store.reader import Reader
from hissmark.tune.course import Course
from hissmark.tune.request import Request
from hissmark.tune.stages import Lineage

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
        began_us, ended_us: first and newest sample that was used; None if there was none.
    """

    before: list[JournalEntry]
    entries: list[list[JournalEntry]]
    samples: int = 0
    ticks: int = 0
    singly: int = 0
    began_us: int | None = None
    ended_us: int | None = None


def replay(reader: Reader, lineages: Sequence[Lineage], request: Request, progress: Progress) -> Outcome:
    """Replay groups: learn from the time before the period, then run every variant through it.

    Raises StoppedError if `progress` says so.
    """
    changes, actions = _recorded(reader)
    variants = request.variants()
    begin_us = request.from_us - request.before_us
    courses = [Course(lineage, begin_us, changes, actions, variants) for lineage in lineages]
    outcome = Outcome([], [[] for _ in variants])
    for batch, names in _slices(reader, courses, begin_us, request.from_us):
        _offer(courses, names, batch, outcome)
        _go_on(progress, int(batch.time_us[-1]))
        for course in courses:
            outcome.before += course.learn(min(int(batch.time_us[-1]), request.from_us))
    for course in courses:
        outcome.before += course.learn(request.from_us)
        course.begin_trials()
    for batch, names in _slices(reader, courses, request.from_us, request.to_us):
        _offer(courses, names, batch, outcome)
        _run(courses, outcome, int(batch.time_us[-1]))
        _go_on(progress, int(batch.time_us[-1]))
    for course, lineage in zip(courses, lineages, strict=True):
        _run([course], outcome, _judged_until(reader, lineage, course.newest_us, request.to_us))
    outcome.ticks, outcome.singly = (sum(c.counts[i] for c in courses) for i in (0, 1))
    return outcome


def _judged_until(reader: Reader, lineage: Lineage, newest_us: int, to_us: int) -> int:
    """How far a group was judged. Where nothing is heard the service waits: only what comes then tells it how
    long the silence was. So behind the newest sample only ticks on record count."""
    if newest_us >= to_us:
        return to_us
    until_us = min(to_us, newest_us + IDLE_S * US)
    last = reader.last_ticks(lineage.names, until_us, back_us=until_us - newest_us)
    return max([newest_us, *(int(block.time_us[-1]) for block in last.values())])


def _go_on(progress: Progress, at_us: int) -> None:
    if not progress(at_us):
        raise StoppedError


def _run(courses: list[Course], outcome: Outcome, upto_us: int) -> None:
    for course in courses:
        for variant, entry in course.run(upto_us):
            outcome.entries[variant].append(entry)


def _offer(courses: list[Course], names: Sequence[str], batch: Batch, outcome: Outcome) -> None:
    """Deal the samples out to the groups that hear them."""
    outcome.samples += len(batch)
    if outcome.began_us is None and len(batch):
        outcome.began_us = int(batch.time_us[0])
    if len(batch):
        outcome.ended_us = int(batch.time_us[-1])
    for course in courses:
        course.offer(batch, names)


def _slices(
    reader: Reader, courses: Sequence[Course], from_us: int, to_us: int
) -> Iterator[tuple[Batch, list[str]]]:
    """The groups' samples by time in large pieces, and the names that their series stand for."""
    names = list(dict.fromkeys(name for course in courses for name in course.names))
    waiting: list[Batch] = []
    for batch in reader.raw(names, from_us, to_us):
        waiting.append(batch)
        if sum(map(len, waiting)) >= SLICE_ROWS:
            yield Batch.joined(waiting), names
            waiting = []
    if sum(map(len, waiting)):
        yield Batch.joined(waiting), names


def _recorded(reader: Reader) -> tuple[list[Change], list[Recorded]]:
    """Changes and operators' actions on record that were applied, in order of their numbers."""
    changes = [row.change for row in reader.changes_after(0) if row.applied_after_us is not None]
    actions: list[Recorded] = []
    before: int | None = None
    while page := reader.actions(before_id=before, limit=500):
        actions += [(r.applied_after_us, action_of(r)) for r in page if r.applied_after_us is not None]
        before = page[-1].id
    return changes, actions[::-1]
