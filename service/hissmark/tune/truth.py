"""What was found when somebody looked, and how well alarms agree with it: found, missed, false.

Truth comes from findings and repairs. A valve found passing had leaked for some time before; a valve found
tight was tight. Where nobody looked nothing is known: an alarm there counts neither way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from hissmark.alarms.journal import AlarmKind
from hissmark.figures.proportions import Proportion, proportion
from hissmark.tune.episodes import Episode


class Found(StrEnum):
    """What was found at a valve."""

    PASSING = "passing"
    TIGHT = "tight"


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one valve in [from_us, to_us): it leaked, or it did not, and who says so."""

    valve: str
    found: Found
    from_us: int
    to_us: int
    said_by: str = ""


@dataclass(frozen=True, slots=True)
class Score:
    """How alarms agree with what is known.

    Attributes:
        found, missed: leaks known of, with and without an alarm while they lasted.
        false: alarms at valves while these were known to be tight.
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


def score(known: Sequence[Known], alarms: Iterable[Episode]) -> Score:
    """Compare `passing` alarms with what is known."""
    raised = [e for e in alarms if e.alarm is AlarmKind.PASSING]
    leaks = [k for k in known if k.found is Found.PASSING]
    found = sum(any(_explains(leak, e) for e in raised) for leak in leaks)
    confirmed = sum(any(_explains(leak, e) for leak in leaks) for e in raised)
    tight = [k for k in known if k.found is Found.TIGHT]
    false = sum(
        any(_explains(k, e) for k in tight) and not any(_explains(leak, e) for leak in leaks) for e in raised
    )
    missed = len(leaks) - found
    return Score(
        found, missed, false, confirmed, len(raised) - confirmed - false,
        proportion(confirmed, confirmed + false), proportion(found, found + missed),
    )  # fmt: skip


def _explains(known: Known, alarm: Episode) -> bool:
    return known.valve == alarm.valve and alarm.meets(known.from_us, known.to_us)
