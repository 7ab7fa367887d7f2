"""What happened against what would have happened: alarms gained, lost, earlier, later."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from hissmark.alarms.journal import AlarmKind
from hissmark.tune.episodes import Episode

TOLERANCE_US = 0
"""Times that differ by no more than this are the same: replay is exact, so none is needed."""


class Difference(StrEnum):
    """How one alarm differs between what happened and what would have happened."""

    SAME = "same"
    GAINED = "gained"
    LOST = "lost"
    EARLIER = "earlier"
    LATER = "later"
    LASTED_OTHERWISE = "lasted otherwise"


@dataclass(frozen=True, slots=True)
class Pair:
    """One alarm as it was and as it would have been; None where there is none. `shift_s`: raised later by.

    `by_change` False: the same difference shows with the settings in force, so it is not the change that
    makes it (the replay knows less of the time before the period than the service did).
    """

    difference: Difference
    before: Episode | None
    after: Episode | None
    shift_s: float | None = None
    by_change: bool = True

    @property
    def either(self) -> Episode:
        """The one that exists; of both, what happened."""
        found = self.before or self.after
        if found is None:
            raise ValueError("a pair needs one side")
        return found


def compare(before: Sequence[Episode], after: Sequence[Episode]) -> list[Pair]:
    """Pairs of episodes of the same alarm that overlap in time, and those left over; by time."""
    theirs: dict[tuple[str, AlarmKind], list[Episode]] = defaultdict(list)
    for episode in after:
        theirs[episode.key].append(episode)
    ours: dict[tuple[str, AlarmKind], list[Episode]] = defaultdict(list)
    for episode in before:
        ours[episode.key].append(episode)
    pairs: list[Pair] = []
    for key in {**ours, **theirs}:
        pairs += _of_one_alarm(ours[key], theirs[key])
    return sorted(pairs, key=lambda p: (p.either.raised_us, p.either.group, p.either.valve, p.either.alarm))


def _of_one_alarm(before: list[Episode], after: list[Episode]) -> list[Pair]:
    """Pair in order of time: an episode with the first of the others that it overlaps and nobody has."""
    pairs, taken = [], [False] * len(after)
    for old in before:
        at = next((i for i, new in enumerate(after) if not taken[i] and _overlap(old, new)), None)
        if at is None:
            pairs.append(Pair(Difference.LOST, old, None))
        else:
            taken[at] = True
            pairs.append(_paired(old, after[at]))
    return pairs + [
        Pair(Difference.GAINED, None, new) for new, has in zip(after, taken, strict=True) if not has
    ]


def _overlap(a: Episode, b: Episode) -> bool:
    return (b.gone_us is None or a.raised_us < b.gone_us) and (a.gone_us is None or b.raised_us < a.gone_us)


def _paired(old: Episode, new: Episode) -> Pair:
    shift_us = new.raised_us - old.raised_us
    if shift_us:
        kind = Difference.LATER if shift_us > TOLERANCE_US else Difference.EARLIER
        return Pair(kind, old, new, shift_us / 1e6)
    kind = Difference.SAME if old.gone_us == new.gone_us else Difference.LASTED_OTHERWISE
    return Pair(kind, old, new, 0.0)


def told_apart(pairs: Iterable[Pair], unchanged: Iterable[Pair]) -> list[Pair]:
    """Mark the differences that also show when nothing is changed.

    Args:
        pairs: what happened against the trial. unchanged: against a replay with the settings in force.
    """
    own = {_mark(p) for p in unchanged if p.difference is not Difference.SAME}
    return [Pair(p.difference, p.before, p.after, p.shift_s, False) if _mark(p) in own else p for p in pairs]


def _mark(pair: Pair) -> tuple[object, ...]:
    before, after = pair.before, pair.after
    return (
        pair.difference, *pair.either.key,
        before and (before.raised_us, before.gone_us), after and (after.raised_us, after.gone_us),
    )  # fmt: skip


def counts(pairs: Iterable[Pair]) -> dict[str, int]:
    """How many of each difference."""
    found = dict.fromkeys((d.value for d in Difference), 0)
    for pair in pairs:
        found[pair.difference.value] += 1
    return found
