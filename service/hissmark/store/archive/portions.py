"""Rows of the database in portions: short transactions, so that the writer hardly waits."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import sqlalchemy as sa

from hissmark.store.archive.dealing import ROW, Rows
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.schema import samples

ROWS = 10_000


def read(engine: sa.Engine, from_us: int, to_us: int, paused: Callable[[float], None]) -> Iterator[Rows]:
    """Samples with from_us <= time < to_us in key order; `paused` is told after each portion how long it
    took.
    """
    after = (from_us, -1)
    while True:
        began_s = time.perf_counter()
        with in_words(place_of(engine.url)), engine.connect() as connection:
            found = page(connection, after, to_us, None, ROWS)
        if found:
            rows = np.empty(len(found), ROW)
            for name, column in zip(ROW.names or (), zip(*found, strict=True), strict=True):
                rows[name] = column
            after = (found[-1][0], found[-1][1])
            yield rows
        if len(found) < ROWS:
            return
        paused(time.perf_counter() - began_s)


def page(
    connection: sa.Connection, after: tuple[int, int], to_us: int, ids: list[int] | None, rows: int
) -> list[Any]:
    """The next rows in key order behind `after` (time, series id), as the driver gives them."""
    c = samples.c
    query = sa.select(c.time_us, c.series_id, c.value, c.flags).where(
        sa.tuple_(c.time_us, c.series_id) > sa.tuple_(sa.literal(after[0]), sa.literal(after[1])),
        c.time_us < to_us,
    )
    if ids is not None:
        query = query.where(c.series_id.in_(ids))
    if connection.dialect.name == "postgresql":  # it does not leave out parts by a comparison of pairs
        query = query.where(c.time_us >= after[0])
    result = connection.execute(query.order_by(c.time_us, c.series_id).limit(rows))
    # The driver's own tuples: making a Row of each would take longer than reading them.
    found: list[Any] = list(result.cursor.fetchall())
    result.close()
    return found


def delete(engine: sa.Engine, keys: Rows) -> int:
    """Delete the samples of these keys (neighbours, in key order), and none that came between them since."""
    with in_words(place_of(engine.url)), engine.begin() as connection:
        if connection.dialect.name == "sqlite":
            return _delete_sqlite(connection, keys)
        gone = sa.text(
            "DELETE FROM samples USING unnest(CAST(:times AS bigint[]), CAST(:ids AS integer[])) "
            "AS gone(time_us, series_id) "
            "WHERE samples.time_us = gone.time_us AND samples.series_id = gone.series_id "
            "AND samples.time_us BETWEEN :first AND :last"
        )
        columns = {"times": keys["time_us"].tolist(), "ids": keys["series_id"].tolist()}
        columns |= {"first": columns["times"][0], "last": columns["times"][-1]}
        return connection.execute(gone, columns).rowcount


def _delete_sqlite(connection: sa.Connection, keys: Rows) -> int:
    """As one range if nothing else is in it (the transaction keeps others out), else one by one."""
    c = samples.c
    first, last = keys[0].item(), keys[-1].item()
    key = sa.tuple_(c.time_us, c.series_id)
    between = (
        c.time_us >= first[0],
        c.time_us <= last[0],
        key >= sa.tuple_(*map(sa.literal, first)),
        key <= sa.tuple_(*map(sa.literal, last)),
    )
    query = sa.select(c.time_us, c.series_id).where(*between).order_by(c.time_us, c.series_id)
    if connection.execute(query).cursor.fetchall() == keys.tolist():
        return connection.execute(sa.delete(samples).where(*between)).rowcount
    one = sa.delete(samples).where(c.time_us == sa.bindparam("at"), c.series_id == sa.bindparam("of"))
    return connection.execute(one, [{"at": t, "of": i} for t, i in keys.tolist()]).rowcount
