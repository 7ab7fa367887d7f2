"""All figures of one span of time together, with what they are measured against."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from hissmark.figures import actors, load
from hissmark.figures.actors import Actor
from hissmark.figures.annunciations import Before, Stand, acknowledgement_times_s, annunciated, stands
from hissmark.figures.load import Flood, Rate
from hissmark.store.records import JournalRow

ENOUGH_US = 30 * load.DAY_US
"""Figures over less than 30 days say little (ISA-18.2, second-hand)."""

TARGETS = {
    "per_10_min": {"acceptable": 1.0, "most": 2.0},
    "per_hour": {"acceptable": 6.0, "most": 12.0},
    "per_day": {"acceptable": 150.0, "most": 300.0},
    "flood_share": {"most": 0.01},
    "stale": {"most": 5.0},
    "top_ten_share": {"most": 0.05},
    "priority_share": {"low": 0.80, "medium": 0.15, "high": 0.05},
}
"""Per operator position. From ISA-18.2 / EEMUA 191, second-hand; alarms a day: in the 2009 edition only."""


@dataclass(frozen=True)
class Figures:
    """The figures of [from, to).

    Attributes:
        alarms: annunciations in all.
        share_over: share of the 10-minute periods with more than 10 alarms. flood_share: of time in floods.
        stale: what has stood longer than a day at the end. most_stale: the most at any moment.
        standing: alarms that stand at the end.
        ten_minutes: alarms in each whole 10-minute period of the clock, and when the first begins (us).
        acknowledged_s: median and 90th percentile from annunciation to acknowledgement; None without any.
    """

    from_us: int
    to_us: int
    alarms: int
    per_10_min: Rate
    per_hour: Rate
    per_day: Rate
    share_over: float
    floods: tuple[Flood, ...]
    flood_share: float
    frequent: tuple[Actor, ...]
    chattering: tuple[Actor, ...]
    stale: tuple[Stand, ...]
    most_stale: int
    standing: int
    priorities: dict[str, int]
    acknowledged_s: tuple[float, float] | None
    ten_minutes: tuple[int, tuple[int, ...]]


def figures_of(
    before: Sequence[Before],
    rows: Sequence[JournalRow],
    from_us: int,
    to_us: int,
    chatter_us: int = actors.CHATTER_US,
) -> Figures:
    """Work out the figures; `rows` are all entries in [from, to) by `seq`, `before` what stood then."""
    shown = annunciated(rows)
    at = [row.entry.at_us for row in shown]
    found = stands(before, rows)
    runs = load.floods(at, from_us, to_us)
    first_us, per_period = load.counts(at, from_us, to_us, load.TEN_MIN_US)
    flooded_us = sum(f.end_us - f.begin_us for f in runs)
    return Figures(
        from_us, to_us, len(shown),
        load.rate(at, from_us, to_us, load.TEN_MIN_US), load.rate(at, from_us, to_us, load.HOUR_US),
        load.rate(at, from_us, to_us, load.DAY_US), load.share_over(at, from_us, to_us), tuple(runs),
        flooded_us / (to_us - from_us), tuple(actors.most_frequent(shown)),
        tuple(actors.chattering(shown, chatter_us)), tuple(actors.stale(found, to_us)),
        actors.most_stale(found, from_us, to_us), sum(s.end_us is None for s in found),
        actors.by_priority(shown), _spread(acknowledgement_times_s(rows)),
        (first_us, tuple(per_period.tolist())),
    )  # fmt: skip


def _spread(seconds: Sequence[float]) -> tuple[float, float] | None:
    if not seconds:
        return None
    ranked = sorted(seconds)
    return statistics.median(ranked), ranked[min(len(ranked) - 1, int(0.9 * len(ranked)))]
