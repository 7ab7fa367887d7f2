"""What a suggestion means, in sentences: for page and command alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hissmark.engine.ranges import unit_of
from hissmark.figures.proportions import Proportion
from hissmark.tune.suggest import Point


def suggestion_says(budget: float, here: Point, tried: Sequence[Point], chosen: Point | None) -> list[str]:
    """The suggestion, what it rests on and how sure it is; or why there is none."""
    return list(_none_fits(budget, tried) if chosen is None else _fits(budget, here, chosen))


def _fits(budget: float, here: Point, chosen: Point) -> Iterator[str]:
    yield f"For at most {budget:g} false alarms in a valve and year: {_values(chosen)}."
    yield f"With them {_counted(chosen)}; with the settings in force {_counted(here)}."
    rate = chosen.unproven
    if rate is not None and rate.high > budget:
        years = f"{chosen.valve_years:.2g} valve-years"
        yield (
            f"The period is too short to promise the budget: what was counted in {years} fits up to "
            f"{rate.high:.2g} in a valve and year as well (95 %)."
        )
    leaks = chosen.score.recall
    if not leaks.cases:
        yield (
            "No leak is known of in the period, so nothing tells how many these settings would miss; the "
            "most sensitive within the budget were taken. Put on record what is found where it alarms."
        )
        return
    known = "1 known leak" if leaks.cases == 1 else f"{leaks.cases} known leaks"
    yield (
        f"Of {known} {leaks.hits} would have been found{_interval(leaks)}, "
        f"with the settings in force {here.score.recall.hits}."
    )


def _none_fits(budget: float, tried: Sequence[Point]) -> Iterator[str]:
    yield f"None of the {len(tried)} combinations keeps to {budget:g} false alarms in a valve and year."
    if tried:
        least = min(tried, key=lambda p: p.unproven_a_year)
        yield f"The fewest come with {_values(least)}: {_counted(least)}."
    yield (
        "Allow more, look at a longer period, or put on record what was found where it alarmed: an alarm "
        "where nobody looked counts as false."
    )


def _values(point: Point) -> str:
    return " and ".join(f"{name} {value:g}{unit_of(name)}" for name, value in point.values.items())


def _counted(point: Point) -> str:
    rate = point.unproven
    alarms = point.score.false + point.score.unknown
    words = "1 alarm is" if alarms == 1 else f"{alarms or 'no'} alarms are"
    return f"{words} not known to be right" + (f", {rate.value:.2g} in a valve and year" if rate else "")


def _interval(p: Proportion) -> str:
    return "" if p.low is None or p.high is None else f" ({100 * p.low:.0f} to {100 * p.high:.0f} %)"
