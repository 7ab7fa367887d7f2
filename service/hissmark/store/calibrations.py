"""Measured leaks and assumptions on record: added, superseded, never overwritten."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa

from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.tables_worth import assumptions, calibrations

POINT = "point"
WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Calibration:
    """A measured leak of a valve at a moment, with the level at that time. SI units.

    Attributes:
        id: 0 until it is on record. kind: `POINT`, or `WITHDRAWN` for a row that only takes another back.
        supersedes: the row whose place it takes. typed: what was typed, by field.
        medium: name of the fluid. level_db: leak-only level, level_sd_db its standard deviation.
        sd_decades: of the measurement alone, as log10.
        upstream_pa, downstream_pa, temperature_k: absolute; None where not known.
        steps: how it came about, as [what, value, how].
    """

    valve: str
    at_us: int
    author: str
    reason: str
    medium: str
    level_db: float
    level_sd_db: float
    rate_kg_s: float
    sd_decades: float
    upstream_pa: float | None = None
    downstream_pa: float | None = None
    temperature_k: float | None = None
    typed: Mapping[str, str] = field(default_factory=dict)
    steps: tuple[tuple[str, str, str], ...] = ()
    kind: str = POINT
    supersedes: int | None = None
    recorded_us: int = 0
    id: int = 0


@dataclass(frozen=True, slots=True)
class Assumption:
    """One assumption as typed. `valve` None: of the whole site. An empty text takes it back."""

    name: str
    text: str
    valve: str | None
    author: str
    reason: str
    recorded_us: int = 0
    id: int = 0


def add_calibration(engine: sa.Engine, row: Calibration, now_us: int) -> Calibration:
    """Put a measured leak (or a withdrawal) on record; durable when this returns."""
    values = {
        "recorded_us": now_us, "author": cleaned(row.author), "reason": cleaned(row.reason), "kind": row.kind,
        "supersedes": row.supersedes, "valve": cleaned(row.valve), "at_us": row.at_us,
        "typed": json.dumps(dict(row.typed)), "medium": cleaned(row.medium), "level_db": row.level_db,
        "level_sd_db": row.level_sd_db, "rate_kg_s": row.rate_kg_s, "sd_decades": row.sd_decades,
        "upstream_pa": row.upstream_pa, "downstream_pa": row.downstream_pa,
        "temperature_k": row.temperature_k, "steps": json.dumps(row.steps),
    }  # fmt: skip
    return replace(row, id=_insert(engine, calibrations, values), recorded_us=now_us)


def add_assumption(engine: sa.Engine, row: Assumption, now_us: int) -> Assumption:
    """Put an assumption on record; durable when this returns."""
    values = {
        "recorded_us": now_us, "author": cleaned(row.author), "reason": cleaned(row.reason),
        "valve": None if row.valve is None else cleaned(row.valve), "name": row.name,
        "text": cleaned(row.text),
    }  # fmt: skip
    return replace(row, id=_insert(engine, assumptions, values), recorded_us=now_us)


def _insert(engine: sa.Engine, table: sa.Table, values: dict[str, Any]) -> int:
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return int(connection.execute(sa.insert(table).returning(table.c.id), values).scalar_one())


def read_calibrations(
    connection: sa.Connection, *, valve: str | None = None, until_us: int | None = None
) -> list[Calibration]:
    """Everything on record up to a moment, oldest first, withdrawn and superseded rows included."""
    c = calibrations.c
    query = sa.select(calibrations).order_by(c.id)
    if valve is not None:
        query = query.where(c.valve == valve)
    if until_us is not None:
        query = query.where(c.recorded_us <= until_us)
    return [_calibration(dict(row._mapping)) for row in connection.execute(query)]


def _calibration(row: Mapping[str, Any]) -> Calibration:
    steps = tuple((what, value, how) for what, value, how in json.loads(row["steps"]))
    return Calibration(**{**row, "typed": json.loads(row["typed"]), "steps": steps})


def standing(rows: Iterable[Calibration]) -> list[Calibration]:
    """The points that count: neither superseded nor withdrawn."""
    listed = list(rows)
    gone = {row.supersedes for row in listed}
    return [row for row in listed if row.kind == POINT and row.id not in gone]


def read_assumptions(connection: sa.Connection, until_us: int | None = None) -> list[Assumption]:
    """Everything that was assumed up to a moment, oldest first."""
    query = sa.select(assumptions).order_by(assumptions.c.id)
    if until_us is not None:
        query = query.where(assumptions.c.recorded_us <= until_us)
    return [Assumption(**dict(row._mapping)) for row in connection.execute(query)]


def newest_marks(connection: sa.Connection) -> tuple[int, int]:
    """Highest number of either table, 0 while it is empty."""
    newest = [sa.select(sa.func.max(t.c.id)).scalar_subquery() for t in (calibrations, assumptions)]
    first, second = connection.execute(sa.select(*newest)).one()
    return int(first or 0), int(second or 0)
