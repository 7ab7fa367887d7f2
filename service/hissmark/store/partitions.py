"""PostgreSQL: the parts of `samples`, one for each UTC day. SQLite has none, and nothing here does anything.

    samples_20261130   a day; made ahead of its time
    samples_before     what was stored before there were parts
    samples_rest       whatever has no part of its own: late days, wrong clocks

Intake never waits for a part: what has none goes into `samples_rest`, and `tend` moves it out again. A day
that is on file, or too old, is dropped as a whole. Functions of the database do the work
(migration 0013), so that the role the service runs as need own nothing.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import sqlalchemy as sa

from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.errors import StoreError, in_words
from hissmark.store.open import place_of
from hissmark.store.schema import samples

T = TypeVar("T")

REST = "samples_rest"

DAYS_AHEAD = 3
"""A weekend of failing housekeeping still finds its parts."""
ROWS_WORTH_A_PART = 1_000
DAYS_WITHOUT_QUESTION = 7
MOST_MOVED_AT_ONCE = 30
"""Days that one run takes out of the rest: each keeps whoever reads from there waiting for a moment."""
_FROM_US = 946_684_800_000_000  # 2000-01-01; clocks before that are wrong
_TRIES = 10
_PAUSE_S = 0.5


@dataclass(frozen=True, slots=True)
class Part:
    """A part holds from_us <= time < to_us; None: no bound. The rest has neither."""

    name: str
    from_us: int | None
    to_us: int | None

    @property
    def is_rest(self) -> bool:
        return self.name == REST

    def covers(self, day_us: int) -> bool:
        """Whether a day lies in it."""
        above = self.from_us is None or self.from_us <= day_us
        return not self.is_rest and above and (self.to_us is None or day_us < self.to_us)


@dataclass(frozen=True, slots=True)
class Tended:
    """What a run did: parts made, samples moved out of the rest, empty parts dropped."""

    made: int
    moved: int
    dropped: int


def parts(engine: sa.Engine) -> list[Part]:
    """Those there are, oldest first, the rest at the end; on SQLite none."""
    if engine.dialect.name != "postgresql":
        return []
    query = (
        "SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) FROM pg_inherits i "
        "JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = 'samples'::regclass"
    )
    with in_words(place_of(engine.url)), engine.connect() as connection:
        found = [_part(name, bound) for name, bound in connection.exec_driver_sql(query)]
    return sorted(found, key=lambda part: (part.is_rest, part.from_us or 0))


def _part(name: str, bound: str) -> Part:
    found = re.fullmatch(r"FOR VALUES FROM \((.*)\) TO \((.*)\)", bound)
    low, high = found.groups() if found else ("", "")
    return Part(name, _bound(low), _bound(high))


def _bound(text: str) -> int | None:
    digits = text.strip("'")
    return int(digits) if digits.isdigit() else None


def tend(engine: sa.Engine, now_us: int, keep_days: int = DAYS_WITHOUT_QUESTION) -> Tended:
    """Make the parts of the next days, take out of the rest what is worth a part, drop what is empty.

    Of `keep_days` back a part is made for any sample, of older days if there are many.
    """
    if engine.dialect.name != "postgresql":
        return Tended(0, 0, 0)
    there, today_us = parts(engine), now_us // DAY_US * DAY_US
    wanted = [today_us + n * DAY_US for n in range(DAYS_AHEAD + 1)]
    wanted += [
        day_us
        for day_us, rows in _days_in_rest(engine)
        if _FROM_US <= day_us < today_us
        and (rows >= ROWS_WORTH_A_PART or day_us >= today_us - keep_days * DAY_US)
    ][:MOST_MOVED_AT_ONCE]
    missing = [day_us for day_us in wanted if not any(part.covers(day_us) for part in there)]
    moved = sum(_patiently(partial(_add, engine, day_us)) for day_us in missing)
    past = [part for part in there if part.to_us is not None and part.to_us <= today_us - DAY_US]
    empty = [part for part in past if _is_empty(engine, part)]
    dropped = sum(drop(engine, part, 0) is not None for part in empty)
    return Tended(len(missing), moved, dropped)


def drop(engine: sa.Engine, part: Part, known_rows: int | None = None) -> int | None:
    """Drop a part as a whole; returns its rows. None: it is there still, as it has not `known_rows` rows."""
    query = sa.text("SELECT hissmark_drop_samples(:part, :rows)").bindparams(
        sa.bindparam("rows", known_rows, sa.BigInteger), part=part.name
    )

    def once() -> int | None:
        with in_words(place_of(engine.url)), engine.begin() as connection:
            found: int | None = connection.scalar(query)
            return found

    return _patiently(once)


def drop_day(engine: sa.Engine, day_us: int, known_rows: int) -> bool:
    """Drop the part of a day if it holds so many rows and no more; False: it is not there, has others, or
    is in use all the time.
    """
    of_day = [p for p in parts(engine) if (p.from_us, p.to_us) == (day_us, day_us + DAY_US)]
    try:
        return bool(of_day) and drop(engine, of_day[0], known_rows) is not None
    except StoreError as error:
        if not error.retry:
            raise
        return False


def _days_in_rest(engine: sa.Engine) -> list[tuple[int, int]]:
    """(start of a day, samples of it in the rest), newest first."""
    query = (
        f"SELECT time_us / {DAY_US} AS day, count(*) FROM {REST} "  # noqa: S608
        "WHERE time_us >= 0 GROUP BY 1 ORDER BY 1 DESC"
    )
    with in_words(place_of(engine.url)), engine.connect() as connection:
        return [(day * DAY_US, rows) for day, rows in connection.exec_driver_sql(query)]


def _is_empty(engine: sa.Engine, part: Part) -> bool:
    c = samples.c
    query = sa.select(c.time_us).where(c.time_us < part.to_us).limit(1)
    if part.from_us is not None:
        query = query.where(c.time_us >= part.from_us)
    with in_words(place_of(engine.url)), engine.connect() as connection:
        return connection.scalar(query) is None


def _add(engine: sa.Engine, day_us: int) -> int:
    query = sa.text("SELECT hissmark_add_samples_day(:day)").bindparams(
        sa.bindparam("day", day_us, sa.BigInteger)
    )
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return int(connection.scalar(query) or 0)


def _patiently(work: Callable[[], T]) -> T:
    """Somebody may be reading for long: the database gives up soon, so that nobody queues behind us."""
    for _ in range(_TRIES - 1):
        try:
            return work()
        except StoreError as error:
            if not error.retry:
                raise
            time.sleep(_PAUSE_S)
    return work()
