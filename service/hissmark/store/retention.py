"""Housekeeping: old samples go in small bites or whole days, and the database keeps in shape."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.store import partitions
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.schema import samples, tick_blocks

ROWS_A_BITE = 20_000
_ROWS_ANALYZED = 1000
"""SQLite: of each index, so that the daily statistics hold up intake for a moment only."""
PAUSE_S = 0.05
"""Between two bites, so that the writer gets its turn."""


@dataclass(frozen=True, slots=True)
class Spared:
    """What is not deleted: samples with from_us <= time < to_us of the series `ids` (None: of all)."""

    from_us: int
    to_us: int
    ids: frozenset[int] | None


def delete_samples_before(
    engine: sa.Engine,
    before_us: int,
    *,
    rows_a_bite: int = ROWS_A_BITE,
    most_bites: int = 10_000,
    spared: Sequence[Spared] = (),
) -> int:
    """Delete samples older than `before_us` in short transactions; returns how many went.

    PostgreSQL: parts that are older as a whole are dropped. Judgements, journal and actions are not touched:
    they stay on record.
    """
    gone = _drop_parts_before(engine, before_us, spared)
    for _ in range(most_bites):
        with in_words(place_of(engine.url)), engine.begin() as connection:
            bite = _delete_bite(connection, before_us, rows_a_bite, _not_spared(spared))
        gone += bite
        if bite < rows_a_bite:
            break
        time.sleep(PAUSE_S)
    return gone


def _drop_parts_before(engine: sa.Engine, before_us: int, spared: Sequence[Spared]) -> int:
    """Those of which nothing is spared. One that is in use all the time is left to the next run."""
    gone = 0
    for part in partitions.parts(engine):
        from_us, to_us = part.from_us or -(1 << 62), part.to_us
        if to_us is None or to_us > before_us or any(_overlaps(s, from_us, to_us) for s in spared):
            continue
        gone += partitions.drop(engine, part) or 0
    return gone


def _overlaps(spared: Spared, from_us: int, to_us: int) -> bool:
    return spared.from_us < to_us and spared.to_us > from_us


def _not_spared(spared: Sequence[Spared]) -> sa.ColumnElement[bool]:
    c = samples.c
    held = [
        sa.and_(
            c.time_us >= s.from_us,
            c.time_us < s.to_us,
            sa.true() if s.ids is None else c.series_id.in_(sorted(s.ids)),
        )
        for s in spared
    ]
    return sa.not_(sa.or_(sa.false(), *held))


def _delete_bite(connection: sa.Connection, before_us: int, rows: int, may_go: sa.ColumnElement[bool]) -> int:
    c = samples.c
    oldest = sa.select(c.time_us).where(c.time_us < before_us, may_go).order_by(c.time_us, c.series_id)
    until_us = connection.scalar(oldest.offset(rows - 1).limit(1))
    # All of one instant go together, so a bite may be a little larger, by one sample a series at most.
    condition = c.time_us < before_us if until_us is None else c.time_us <= until_us
    return connection.execute(sa.delete(samples).where(condition, may_go)).rowcount


def delete_history_before(engine: sa.Engine, before_us: int) -> int:
    """Delete blocks of ticks that begin before `before_us`; returns how many went."""
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return connection.execute(sa.delete(tick_blocks).where(tick_blocks.c.start_us < before_us)).rowcount


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What a checkpoint did. `complete` is False if a reader kept part of the log in use."""

    complete: bool
    log_pages: int


def checkpoint(engine: sa.Engine) -> Checkpoint:
    """SQLite: move the write-ahead log into the database file and empty it. PostgreSQL does that itself."""
    if engine.dialect.name != "sqlite":
        return Checkpoint(True, 0)
    with in_words(place_of(engine.url)):
        busy, log_pages, _ = _outside_transaction(engine, "PRAGMA wal_checkpoint(TRUNCATE)")
    return Checkpoint(not busy, max(0, log_pages))


def optimize(engine: sa.Engine) -> None:
    """Bring the planner's statistics up to date (cheap; daily)."""
    # The write lock from the beginning: who begins by reading may not write once others have.
    with in_words(place_of(engine.url)), engine.begin() as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql(f"PRAGMA analysis_limit = {_ROWS_ANALYZED}")
            connection.exec_driver_sql("PRAGMA optimize")
        else:
            connection.execute(sa.select(sa.func.hissmark_analyze_samples()))


def _outside_transaction(engine: sa.Engine, statement: str) -> tuple[int, ...]:
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        cursor.execute(statement)
        return tuple(cursor.fetchone() or ())
    finally:
        raw.close()
