"""Valves with the most alarms, and what they have in common: where tuning is worth the while.

An alarm just over the limit that soon goes again asks for another setting; one far over it that stands asks
for a look at the valve. Which of the two it is, the journal tells.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from hissmark.alarms.journal import AlarmKind
from hissmark.engine.layout import Layout
from hissmark.publish import words
from hissmark.repairs.truth import Span, known
from hissmark.store.reader import Reader
from hissmark.store.repairs import RepairBook
from hissmark.tune.episodes import Episode
from hissmark.tune.happened import happened
from hissmark.tune.truth import Score, score
from hissmark.tune.versions import tuned_at

NEAR_DB = 2.0
"""An alarm raised by no more than this over the limit is just over it."""
SHORT_S = 3600.0
"""An alarm gone within this time was short: a leak through a seat does not stop by itself (common practice,
no source)."""
MOST_MOMENTS = 5
JUDGED = (AlarmKind.PASSING, AlarmKind.CONTESTED)
"""Alarms that settings have a say in."""


@dataclass(frozen=True, slots=True)
class Busy:
    """One valve and its alarms of a period.

    Attributes:
        alarms: all of `JUDGED`; `contested` of them. rise_db: median when raised. limit_db: in force now.
        near: passing alarms raised by `NEAR_DB` or less over the limit. short: gone within `SHORT_S`.
        lasted_s: median; None if none has gone. score: against what findings and repairs say.
        moments_us: when the newest were raised. setting: the one to begin with; empty: look at the valve.
    """

    valve: str
    group: str
    alarms: int
    contested: int
    rise_db: float | None
    limit_db: float
    near: int
    short: int
    lasted_s: float | None
    score: Score
    moments_us: tuple[int, ...]
    setting: str
    says: tuple[str, ...]


def busiest_of(
    layout: Layout, reader: Reader, book: RepairBook, from_us: int, to_us: int, most: int
) -> list[Busy]:
    """Valves with the most alarms of a period that are still in the register."""
    tuned = tuned_at(layout, reader, to_us)
    limits = {c.subject: float(tuned.rise_limit_db[i]) for i, c in enumerate(layout.channels) if c.valve}
    alarms = happened(reader, [None], from_us, to_us)
    return busiest(alarms, known(book, from_us, to_us), limits.get, most)


def busiest(
    alarms: Iterable[Episode], spans: Sequence[Span], limit_of: Callable[[str], float | None], most: int
) -> list[Busy]:
    """Valves by number of alarms, most first. `limit_of` gives the limit of a valve, None if it is gone."""
    by_valve: dict[str, list[Episode]] = defaultdict(list)
    for alarm in alarms:
        if alarm.alarm in JUDGED:
            by_valve[alarm.valve].append(alarm)
    ranked = sorted(by_valve.items(), key=lambda item: (-len(item[1]), item[0]))
    with_limits = ((mine, limit_of(valve)) for valve, mine in ranked)
    rows = [_busy(mine, spans, limit) for mine, limit in with_limits if limit is not None]
    return rows[:most]


def _busy(mine: list[Episode], spans: Sequence[Span], limit_db: float) -> Busy:
    passing = [e for e in mine if e.alarm is AlarmKind.PASSING]
    rises = [e.rise_db for e in mine if e.rise_db is not None]
    lasted = [(e.gone_us - e.raised_us) / 1e6 for e in mine if e.gone_us is not None]
    near = sum(e.rise_db is not None and e.rise_db <= limit_db + NEAR_DB for e in passing)
    short, contested = sum(s <= SHORT_S for s in lasted), len(mine) - len(passing)
    counted = {"alarms": len(mine), "contested": contested, "near": near, "short": short}
    setting = _to_begin_with(counted)
    rise_db, lasted_s = (median(values) if values else None for values in (rises, lasted))
    scored = score([s for s in spans if s.valve == mine[0].valve], mine)
    return Busy(
        mine[0].valve, mine[0].group, len(mine), contested, rise_db, limit_db, near, short, lasted_s, scored,
        tuple(e.raised_us for e in mine[: -MOST_MOMENTS - 1 : -1]), setting,
        tuple(_says(counted, rise_db, limit_db, lasted_s, scored, setting)),
    )  # fmt: skip


def _to_begin_with(counted: Mapping[str, int]) -> str:
    """The setting that most of the alarms hang on; none where they look like leaks."""
    if 2 * counted["contested"] > counted["alarms"]:
        return "contested_delay_s"
    if 2 * counted["near"] >= counted["alarms"]:
        return "rise_limit_db"
    return "odds_limit" if 2 * counted["short"] >= counted["alarms"] else ""


def _says(
    counted: Mapping[str, int], rise_db: float | None, limit_db: float, lasted_s: float | None, scored: Score,
    setting: str,
) -> Iterable[str]:  # fmt: skip
    contested = counted["contested"]
    if contested:
        of = words.counted(counted["alarms"], "alarm")
        yield f"{contested} of {of} contested: two explanations were too close to call."
    if rise_db is not None:
        just = f"; {counted['near']} just over it" if counted["near"] else ""
        yield f"Raised at {rise_db:.1f} dB over the background (median), the limit is {limit_db:g} dB{just}."
    if lasted_s is not None:
        short = f", {counted['short']} gone within the hour" if counted["short"] else ""
        yield f"They stood for {_time(lasted_s)} (median){short}."
    yield _known(scored)
    yield _ADVICE[setting]


_ADVICE = {
    "rise_limit_db": "Most hang on the limit of the rise: try rise_limit_db.",
    "odds_limit": "They soon went again, as a leak does not: try odds_limit, the evidence that is asked for.",
    "contested_delay_s": "Most are contested: try contested_delay_s, how long that must last.",
    "": "Well over the limit and lasting: look at the valve before you change a setting.",
}


def _known(scored: Score) -> str:
    if not scored.confirmed + scored.false:
        return "Nobody has put on record what was found there."
    looked = f"Of the passing alarms {scored.confirmed} right and {scored.false} false by what was found"
    return f"{looked}; nobody looked at {scored.unknown}." if scored.unknown else f"{looked}."


def _time(seconds: float) -> str:
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"
