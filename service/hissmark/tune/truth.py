"""How well alarms agree with what was found when somebody looked: found, missed, false.

What is known comes from findings and proved repairs (`hissmark.repairs.truth`). Where nobody looked nothing
is known: an alarm there counts neither way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmKind
from hissmark.figures.proportions import Proportion, proportion
from hissmark.repairs.truth import Span
from hissmark.tune.episodes import Episode


@dataclass(frozen=True, slots=True)
class Score:
    """How alarms agree with what is known.

    Attributes:
        found, missed: leaks known of, with and without an alarm while they lasted.
        false: alarms at valves while these were known to be tight, or their sensor to mislead.
        confirmed: alarms that a leak known of explains. unknown: alarms where nobody looked.
        precision: confirmed of all that could be judged. recall: found of all leaks known of.
    """

    found: int
    missed: int
    false: int
    confirmed: int
    unknown: int
    precision: Proportion
    recall: Proportion


def score(known: Sequence[Span], alarms: Iterable[Episode]) -> Score:
    """Compare `passing` alarms with what is known."""
    raised = [e for e in alarms if e.alarm is AlarmKind.PASSING]
    leaks = [k for k in known if k.passing and not k.sensor]
    tight = [k for k in known if not k.passing or k.sensor]
    found = sum(any(_meet(leak, e) for e in raised) for leak in leaks)
    confirmed = [any(_meet(leak, e) for leak in leaks) for e in raised]
    false = sum(
        not right and any(_meet(k, e) for k in tight) for right, e in zip(confirmed, raised, strict=True)
    )
    missed, right = len(leaks) - found, sum(confirmed)
    return Score(
        found, missed, false, right, len(raised) - right - false,
        proportion(right, right + false), proportion(found, found + missed),
    )  # fmt: skip


def _meet(known: Span, alarm: Episode) -> bool:
    """Whether the alarm stood while it is known how the valve was (for a moment, or a stretch)."""
    return known.valve == alarm.valve and alarm.meets(known.from_us, max(known.to_us, known.from_us + 1))
