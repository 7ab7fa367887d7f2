"""Which valves to repair now, in which order and why; which to leave alone. Pure functions over readings.

The order: by priority (the site's own table: consequence by severity), then by worth where there is a number,
then what grows before what is steady, then by rise, then by margin. Each row carries the reasons in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from hissmark.engine.register import Register
from hissmark.engine.settings import PrioritySettings
from hissmark.publish.sentences import decibels, listing
from hissmark.publish.shapes import ChannelReading, GroupReading
from hissmark.publish.times import age_text

GROWING_DB_PER_DAY = 0.3
"""A rise that changes by less than this a day is called steady."""
_RANK = {"high": 0, "medium": 1, "low": 2}


class Deed(StrEnum):
    """What to do about a valve now."""

    REPAIR = "repair"
    CHECK_BY_HAND = "check by hand"
    WAIT = "wait"
    LEAVE_ALONE = "leave alone"


@dataclass(frozen=True, slots=True)
class Brief:
    """What a leak is worth, for the list. `text` names a number with its interval, or what is missing."""

    rank: tuple[float, float]
    text: str
    known: bool


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of valves beside their readings; by tag.

    Attributes:
        since_us: since when the passing alarm stands. trend_db_per_day: change of the rise.
        checks: state of a check that runs (``holding 12 of 30 min``).
    """

    now_us: int
    since_us: Mapping[str, int] = field(default_factory=dict)
    trend_db_per_day: Mapping[str, float] = field(default_factory=dict)
    worth: Mapping[str, Brief] = field(default_factory=dict)
    checks: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Row:
    """One valve of the list. `why` in words, the weightiest first."""

    valve: str
    group: str
    deed: Deed
    priority: str
    consequence: str
    rise_db: float | None
    margin_db: float | None
    since_us: int | None
    trend_db_per_day: float | None
    worth: Brief | None
    why: tuple[str, ...]


def priority_of(settings: PrioritySettings, consequence: str, rise_db: float | None) -> str:
    """The priority that the site's table gives a leak of that consequence and rise."""
    rise = rise_db or 0.0
    severity = "severe" if rise >= settings.severe_db else "clear" if rise >= settings.clear_db else "slight"
    found: str = getattr(settings, f"{consequence}_{severity}")
    return found


def ranked(
    readings: Sequence[GroupReading], register: Register, priorities: PrioritySettings, known: Known
) -> list[Row]:
    """Every valve that something is to be said about, what to repair first on top."""
    rows = [
        row
        for reading in readings
        for channel in reading["channels"]
        if channel["valve"] in register.valves
        for row in [_row(channel, reading, register, priorities, known)]
        if row is not None
    ]
    return sorted(rows, key=_order)


def _order(row: Row) -> tuple[Any, ...]:
    worth = row.worth.rank if row.worth is not None and row.worth.known else (float("inf"), 0.0)
    growing = -(row.trend_db_per_day or 0.0) if (row.trend_db_per_day or 0.0) >= GROWING_DB_PER_DAY else 0.0
    return (
        list(Deed).index(row.deed), _RANK[row.priority], worth, growing, -(row.rise_db or 0.0),
        -(row.margin_db or 0.0), row.valve,
    )  # fmt: skip


def _row(
    channel: ChannelReading,
    reading: GroupReading,
    register: Register,
    priorities: PrioritySettings,
    known: Known,
) -> Row | None:
    valve = str(channel["valve"])
    consequence = register.valves[valve].consequence
    rise, margin = channel["rise_db"], None
    if valve in (reading["explanation"]["source"], reading["explanation"]["second"]):
        margin = reading["explanation"]["margin_db"]
    found = _deed(channel, reading, known)
    if found is None:
        return None
    deed, why = found
    priority = priority_of(priorities, consequence, rise)
    since_us, trend = known.since_us.get(valve), known.trend_db_per_day.get(valve)
    worth = known.worth.get(valve) if deed is Deed.REPAIR else None
    if deed is Deed.REPAIR:
        why = (*why, *_reasons(priority, consequence, since_us, trend, margin, worth, known.now_us))
    return Row(
        valve, reading["group"], deed, priority, consequence, rise, margin, since_us, trend, worth, why
    )


def _deed(
    channel: ChannelReading, reading: GroupReading, known: Known
) -> tuple[Deed, tuple[str, ...]] | None:
    """What to do, and the first reason; None where there is nothing to say."""
    valve, verdict, rise = str(channel["valve"]), channel["verdict"], channel["rise_db"]
    check = known.checks.get(valve)
    if check is not None:
        return Deed.WAIT, (f"It was repaired, and its check runs: {check}.",)
    if verdict == "passing":
        return Deed.REPAIR, (f"It is the source, {decibels(rise)} over its background.",)
    if verdict == "contested":
        other = reading["next_explanation"]["source"]
        between = f" It may be {other} instead." if other and other != valve else ""
        return Deed.CHECK_BY_HAND, (f"Two explanations are too close to call.{between}",)
    if verdict == "spill":
        return Deed.LEAVE_ALONE, (_heard(reading),)
    if verdict == "not testable" and valve in known.since_us:
        return Deed.WAIT, (f"It was passing and cannot be tested now: {channel['reason']}.",)
    if verdict == "outside noise" and rise is not None and rise >= 3:
        return Deed.LEAVE_ALONE, ("What it hears comes from outside its group.",)
    return None


def _heard(reading: GroupReading) -> str:
    passing = [str(c["valve"]) for c in reading["channels"] if c["verdict"] == "passing" and c["valve"]]
    if not passing:
        return "It hears a source along the pipe that is not settled yet."
    return f"It hears {listing(passing)} along the pipe; repair that one."


def _reasons(
    priority: str, consequence: str, since_us: int | None, trend: float | None, margin: float | None,
    worth: Brief | None, now_us: int,
) -> tuple[str, ...]:  # fmt: skip
    said = [f"{priority.capitalize()} priority: {consequence} consequence by the register."]
    if worth is not None:
        said.append(worth.text)
    if since_us is not None:
        said.append(f"Passing for {age_text((now_us - since_us) / 1e6)}.")
    if trend is not None:
        said.append(trend_text(trend))
    if margin is not None:
        said.append(f"The next explanation is {decibels(margin)} behind.")
    return tuple(said)


def trend_text(db_per_day: float) -> str:
    """``Growing by 0.8 dB a day.``"""
    if abs(db_per_day) < GROWING_DB_PER_DAY:
        return "Steady."
    word = "Growing" if db_per_day > 0 else "Falling"
    return f"{word} by {abs(db_per_day):.1f} dB a day."
