"""Which of the settings tried keeps to a budget of false alarms and finds the most."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmKind
from hissmark.figures.rates import CountedRate, counted_rate
from hissmark.tune.truth import Score


@dataclass(frozen=True, slots=True)
class Point:
    """What came of one combination of values.

    Attributes:
        alarms: by kind, raised in the period. valve_years: valves times years of the period.
    """

    values: Mapping[str, float]
    alarms: Mapping[str, int]
    valve_years: float
    score: Score

    @property
    def a_year(self) -> float:
        """`passing` alarms in a valve and year."""
        return self.alarms[AlarmKind.PASSING] / self.valve_years if self.valve_years else 0.0

    @property
    def false_a_year(self) -> float | None:
        """Alarms known to be false in a valve and year; None where nothing is known of any alarm."""
        if not self.score.precision.cases or not self.valve_years:
            return None
        return self.score.false / self.valve_years

    @property
    def unproven(self) -> CountedRate | None:
        """Alarms not known to be right, in a valve and year: nobody looked, or what was found was tight."""
        return counted_rate(self.score.false + self.score.unknown, self.valve_years)

    @property
    def unproven_a_year(self) -> float:
        """The same as a number."""
        return self.unproven.value if self.unproven else 0.0


Distance = Callable[[Point], float]


def choose(points: Iterable[Point], budget: float, distance: Distance) -> Point | None:
    """The point within the budget that finds the most leaks known of; None if none keeps to it.

    An alarm where nobody looked counts against the budget: it may have been false. Of points that find the
    same, the one with the fewest such alarms, then the one nearest to what is in force. Where no leak is
    known of, nothing tells how much is missed; then the most sensitive within the budget is taken.
    """
    fit = [p for p in points if p.unproven_a_year <= budget]
    if not fit:
        return None
    if any(p.score.recall.cases for p in fit):
        return max(fit, key=lambda p: (p.score.found, -p.unproven_a_year, -distance(p)))
    return max(fit, key=lambda p: (p.alarms[AlarmKind.PASSING], -distance(p)))


def closest(present: Mapping[str, float]) -> Distance:
    """How far a point is from what is in force: relative steps, summed."""

    def distance(point: Point) -> float:
        return sum(
            abs(value - present[name]) / max(abs(present[name]), 1.0)
            for name, value in point.values.items()
            if name in present
        )

    return distance
