"""The repair list of a site: readings, alarms, checks, trends and worth put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from typing_extensions import TypedDict

from hissmark.appraise.appraiser import Appraiser, Worth
from hissmark.engine.settings import CoreSettings
from hissmark.publish.shapes import AlarmShape, GroupReading
from hissmark.publish.times import parse_rfc3339, rfc3339, rfc3339_or_none
from hissmark.repairs.desk import Desk, Looked
from hissmark.repairs.ranking import Brief, Deed, Known, Row, ranked
from hissmark.repairs.shapes import CostShape, cost_shape
from hissmark.repairs.spared import Spared, spared
from hissmark.repairs.trend import trend_db_per_day
from hissmark.store.reader import Reader
from hissmark.store.repairs import standing
from hissmark.worth.prediction import Status
from hissmark.worth.trace import figure, ranged

MOST_APPRAISED = 200
"""Valves to be repaired whose trend and worth are looked up; the others come without."""


class ListRow(TypedDict):
    """One valve of the list. `why`: sentences, the weightiest first; `worth`: a sentence, null if unasked."""

    valve: str
    group: str
    deed: str
    priority: str
    consequence: str
    rise_db: float | None
    margin_db: float | None
    since: str | None
    trend_db_per_day: float | None
    worth: str | None
    why: list[str]


class SparedShape(TypedDict):
    """What leaving valves alone has saved; money null where costs are missing."""

    repairs: int
    neighbours: int
    usual_cost: CostShape | None
    saved: CostShape | None
    sentence: str


class RepairList(TypedDict):
    """What to repair now in this order, what to check or wait for, what to leave alone."""

    at: str
    rows: list[ListRow]
    spared: SparedShape


@dataclass(frozen=True, slots=True)
class Sources:
    """Where a list comes from. `appraiser`: None where nothing can be valued."""

    desk: Desk
    reader: Reader
    core: CoreSettings
    readings: Callable[[], Sequence[GroupReading]]
    alarms: Callable[[], Sequence[AlarmShape]]
    appraiser: Appraiser | None


def repair_list(sources: Sources, looked: Looked | None = None) -> RepairList:
    """The list as of now."""
    looked = sources.desk.looked() if looked is None else looked
    now_us = sources.desk.now_us()
    rows = rows_of(sources, looked, now_us)
    found = spared(
        standing(sources.desk.book.repairs()),
        {number: c.ended for number, c in looked.checks.items() if c.ended is not None},
        sources.core.judge.rise_limit_db,
    )
    return {"at": rfc3339(now_us), "rows": [_shape(row) for row in rows], "spared": spared_shape(found)}


def rows_of(sources: Sources, looked: Looked, now_us: int) -> list[Row]:
    readings = sources.readings()
    register = sources.desk.register
    checks = {
        r["valve"]: r["check"]["state"]
        for r in looked.repairs
        if r["check"] is not None and r["check"]["outcome"] is None
    }
    since = {
        a["valve"]: parse_rfc3339(a["raised_at"])
        for a in sources.alarms()
        if a["alarm"] == "passing" and a["active"]
    }
    passing = [
        str(c["valve"])
        for r in readings
        for c in r["channels"]
        if c["verdict"] == "passing" and c["valve"] in register.valves
    ][:MOST_APPRAISED]
    trends = {v: trend_db_per_day(sources.reader, register.valves[v], now_us) for v in passing}
    known = Known(
        now_us, since, {v: t for v, t in trends.items() if t is not None},
        briefs(sources.appraiser, passing), checks,
    )  # fmt: skip
    return ranked(readings, register, sources.core.alarms.priority, known)


def briefs(appraiser: Appraiser | None, valves: Sequence[str]) -> Mapping[str, Brief]:
    """What each leak is worth, as far as the site has said what is needed to know it."""
    if appraiser is None or not valves:
        return {}
    return {worth.valve: brief(worth) for worth in appraiser.worth_of_all(valves)}


def brief(worth: Worth) -> Brief:
    """One leak's worth as a sentence."""
    if worth.estimate.rate_kg_s is None:
        needs = worth.estimate.needs.rstrip(".")
        return Brief(worth.rank, f"Its rate is not known: {needs[:1].lower()}{needs[1:]}.", False)
    if worth.estimate.status is Status.AT_MOST:
        most = figure(worth.estimate.rate_kg_s.high * 3600.0)
        return Brief(worth.rank, f"It loses at most {most} kg/h.", False)
    rate = ranged(worth.estimate.rate_kg_s.times(3600.0), "kg/h")
    year = worth.loss.money_year if worth.loss is not None else None
    if year is None:
        return Brief(worth.rank, f"It loses {rate}; without a price nobody knows what that is worth.", True)
    return Brief(worth.rank, f"It loses {rate}, {ranged(year, f'{worth.assumed.currency} a year')}.", True)


def _shape(row: Row) -> ListRow:
    return {
        "valve": row.valve, "group": row.group, "deed": str(row.deed), "priority": row.priority,
        "consequence": row.consequence, "rise_db": row.rise_db, "margin_db": row.margin_db,
        "since": rfc3339_or_none(row.since_us), "trend_db_per_day": row.trend_db_per_day,
        "worth": row.worth.text if row.worth is not None else None, "why": list(row.why),
    }  # fmt: skip


def spared_shape(found: Spared) -> SparedShape:
    return {
        "repairs": found.repairs, "neighbours": len(found.neighbours), "usual_cost": cost_shape(found.usual),
        "saved": cost_shape(found.saved), "sentence": found.sentence,
    }  # fmt: skip


def to_repair(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows that call for a repair now."""
    return [row for row in rows if row["deed"] == Deed.REPAIR]
