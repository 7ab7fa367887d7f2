"""Figures of the alarm system after ISA-18.2 / EEMUA 191, from the journal."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.engine.settings import CoreSettings
from hissmark.figures.actors import CHATTER_US, Actor
from hissmark.figures.annunciations import Stand
from hissmark.figures.load import DAY_US, TEN_MIN_US, Rate
from hissmark.figures.summary import ENOUGH_US, TARGETS, Figures, figures_of
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.reader import Reader
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.parameters import OptionalName, SpanQuery
from hissmark.web.problems import DOCUMENTED
from hissmark.web.spans import before, entries, span_of

router = APIRouter(prefix="/figures", tags=["figures"], responses=DOCUMENTED)

MOST_LISTED = 100
MOST_PERIODS = 92 * 144
"""The newest so many periods of 10 minutes are listed one by one: a quarter of a year."""


class RateShape(TypedDict):
    """Alarms per period: mean over the span, the fullest whole period, how many whole periods."""

    mean: float
    most: int
    periods: int


class PeriodsShape(TypedDict):
    """Alarms in each whole 10 minutes of the clock (UTC), from `begin` on; the newest `MOST_PERIODS`."""

    begin: str
    counts: list[int]


class FloodShape(TypedDict):
    """A flood: from the first 10 minutes with more than 10 alarms to the first with fewer than 5."""

    begin: str
    end: str
    alarms: int


class ActorShape(TypedDict):
    """One alarm and how often it came; `share` is of all alarms."""

    valve: str
    group: str
    alarm: str
    count: int
    share: float


class StandShape(TypedDict):
    """An alarm that has stood without a break since `since`."""

    valve: str
    group: str
    alarm: str
    priority: str
    since: str


class FiguresShape(TypedDict):
    """All figures of a span. `targets` holds what they are measured against; `enough` whether at least 30
    days of it are on record (`recorded_since`). `chatter_s`: three within so many seconds chatter.
    """

    since: str
    until: str
    recorded_since: str | None
    enough: bool
    alarms: int
    per_10_min: RateShape
    per_hour: RateShape
    per_day: RateShape
    ten_minutes: PeriodsShape
    share_over_10: float
    floods: list[FloodShape]
    flood_share: float
    frequent: list[ActorShape]
    top_ten_share: float
    chattering: list[ActorShape]
    chatter_s: float
    stale: list[StandShape]
    stale_count: int
    most_stale: int
    standing: int
    priorities: dict[str, int]
    acknowledged_median_s: float | None
    acknowledged_p90_s: float | None
    targets: dict[str, dict[str, float]]


@router.get("", response_model=FiguresShape)
def figures(context: Context, span: SpanQuery, group: OptionalName = None) -> Response:
    """Load, floods, bad actors, stale alarms, priorities; by default of the last 30 days."""
    from_us, to_us = span_of(span, context.live.clock.now_us(), 30 * DAY_US)
    reader = context.reader
    chatter_us = chatter_window_us(context.live.layout.settings)
    found = figures_of(
        before(reader, from_us, group), entries(reader, from_us, to_us, group), from_us, to_us, chatter_us
    )
    return answer(shape_of(found, chatter_us, _recorded_since_us(reader)))


def _recorded_since_us(reader: Reader) -> int | None:
    """The first thing on record: a sample, or a journal entry where old samples have been deleted."""
    extent, oldest = reader.sample_extent(), reader.journal(limit=1)
    known = [extent.first_us] if extent else []
    known += [row.entry.at_us for row in oldest]
    return min(known, default=None)


def chatter_window_us(settings: CoreSettings) -> int:
    """Three in a minute is the convention; longer delays stretch it to three as fast as they allow."""
    alarms, tick_s = settings.alarms, settings.signal.tick_s
    cycle_s = alarms.on_delay_s + alarms.off_delay_s + 2 * tick_s
    return max(CHATTER_US, 3 * cycle_s * 1_000_000)


def shape_of(found: Figures, chatter_us: int, recorded_us: int | None) -> FiguresShape:
    """Figures as JSON; `recorded_us`: since when there is a record at all."""
    begin_us = found.to_us if recorded_us is None else max(found.from_us, recorded_us)
    return {
        "since": rfc3339(found.from_us),
        "until": rfc3339(found.to_us),
        "recorded_since": rfc3339_or_none(recorded_us),
        "enough": found.to_us - begin_us >= ENOUGH_US,
        "alarms": found.alarms,
        "per_10_min": _rate(found.per_10_min),
        "per_hour": _rate(found.per_hour),
        "per_day": _rate(found.per_day),
        "ten_minutes": _periods(*found.ten_minutes),
        "share_over_10": round(found.share_over, 6),
        "floods": [
            {"begin": rfc3339(f.begin_us), "end": rfc3339(f.end_us), "alarms": f.alarms}
            for f in found.floods[-MOST_LISTED:]
        ],
        "flood_share": round(found.flood_share, 6),
        "frequent": [_actor(a) for a in found.frequent],
        "top_ten_share": round(sum(a.share for a in found.frequent), 6),
        "chattering": [_actor(a) for a in found.chattering[:MOST_LISTED]],
        "chatter_s": chatter_us / 1e6,
        "stale": [_stand(s) for s in found.stale[:MOST_LISTED]],
        "stale_count": len(found.stale),
        "most_stale": found.most_stale,
        "standing": found.standing,
        "priorities": found.priorities,
        "acknowledged_median_s": found.acknowledged_s[0] if found.acknowledged_s else None,
        "acknowledged_p90_s": found.acknowledged_s[1] if found.acknowledged_s else None,
        "targets": TARGETS,
    }


def _rate(found: Rate) -> RateShape:
    return {"mean": round(found.mean, 6), "most": found.most, "periods": found.periods}


def _periods(first_us: int, counts: tuple[int, ...]) -> PeriodsShape:
    left_out = max(0, len(counts) - MOST_PERIODS)
    return {"begin": rfc3339(first_us + left_out * TEN_MIN_US), "counts": list(counts[left_out:])}


def _actor(found: Actor) -> ActorShape:
    return {
        "valve": found.valve, "group": found.group, "alarm": found.alarm, "count": found.count,
        "share": round(found.share, 6),
    }  # fmt: skip


def _stand(found: Stand) -> StandShape:
    entry = found.first.entry
    told: dict[str, Any] = {
        name: str(getattr(entry, name)) for name in ("valve", "group", "alarm", "priority")
    }
    return {**told, "since": rfc3339(found.begin_us)}  # type: ignore[typeddict-item]
