"""What arrived in which order: each transaction's new samples once more, small, for whoever follows them.

The numbers grow in the order in which transactions become visible (PostgreSQL: they take turns), so that who
has read up to one has missed nothing before it. Kept for some days.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import sqlalchemy as sa

from hissmark.store.errors import in_words
from hissmark.store.judged import put_meta, read_meta
from hissmark.store.open import place_of
from hissmark.store.rows import Columns
from hissmark.store.schema import samples
from hissmark.store.tables_arrivals import arrivals

_CODEC = pa.Codec("zstd", compression_level=1)
_TURN = 0x6869_7373_0004  # advisory lock of PostgreSQL, arbitrary but fixed
_GONE = "arrivals.gone"
_KEYS_AT_ONCE = 300
_NEARBY = 1000
"""Stored samples that are looked at in any case, besides two for each that came."""
_ROWS_A_BITE = 500
_ITEM_BYTES = 8 + 4 + 8 + 1


@dataclass(frozen=True, slots=True)
class Arrival:
    """The new samples of one transaction; `columns.series_id` are numbers of series."""

    seq: int
    at_us: int
    columns: Columns


class GoneError(Exception):
    """What follows a position is not kept any more; the message says what to do."""


def note(connection: sa.Connection, new: Columns, now_us: int) -> None:
    """Put new samples on record as arrived, in the transaction that stores them."""
    if not len(new):
        return
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_TURN)))
    values = {"at_us": now_us, "samples": len(new), "payload": _encoded(new)}
    connection.execute(sa.insert(arrivals).values(**values))


def fresh(connection: sa.Connection, columns: Columns) -> Columns:
    """Those that are not stored yet (of samples as `Columns.of` gives them)."""
    known: set[tuple[int, int]] = set()
    keys = list(zip(columns.time_us.tolist(), columns.series_id.tolist(), strict=True))
    for begin in range(0, len(keys), _KEYS_AT_ONCE):
        some = keys[begin : begin + _KEYS_AT_ONCE]
        values = ",".join(f"({t},{i})" for t, i in some)  # whole numbers of our own
        # First and last time: so PostgreSQL plans with the parts of those days only.
        query = (
            f"WITH asked(t, i) AS (VALUES {values}) SELECT asked.t, asked.i FROM asked "  # noqa: S608
            f"JOIN {samples.name} s ON s.time_us = asked.t AND s.series_id = asked.i "
            f"AND s.time_us BETWEEN {some[0][0]} AND {some[-1][0]}"
        )
        known.update((int(t), int(i)) for t, i in connection.exec_driver_sql(query))
    return columns.take(np.array([key not in known for key in keys], bool))


def fresh_nearby(connection: sa.Connection, columns: Columns) -> Columns | None:
    """The same by looking at all that is stored between their first and last time; None if that is much.

    Samples mostly come in order, so that hardly anything is. A savepoint around the insert, which finds out
    without looking, costs SQLite a quarter of the insert.
    """
    first_us, last_us = int(columns.time_us[0]), int(columns.time_us[-1])
    series = int(columns.series_id.max()) + 1
    if (last_us - first_us + 1) * series >= 1 << 62:
        return None
    c, most = samples.c, _NEARBY + 2 * len(columns)
    query = sa.select(c.time_us, c.series_id).where(c.time_us >= first_us, c.time_us <= last_us).limit(most)
    result = connection.execute(query)
    stored = result.cursor.fetchall()
    result.close()
    if len(stored) == most:
        return None
    if not stored:
        return columns
    rows = np.array([row for row in stored if row[1] < series], np.int64).reshape(-1, 2)
    known = (rows[:, 0] - first_us) * series + rows[:, 1]
    asked = (columns.time_us - first_us) * series + columns.series_id
    return columns.take(np.isin(asked, known, assume_unique=True, invert=True))


def read(connection: sa.Connection, after: int, most_samples: int) -> list[Arrival]:
    """What arrived after a position, about `most_samples` of it. Raises GoneError if some of it is gone."""
    gone = int(read_meta(connection, _GONE) or 0)
    if 0 < after < gone:
        raise GoneError(
            f"What came after position {after} is kept no more ([store] feed_days). Read the history of the "
            f"time in between, and go on from position {gone}."
        )
    query = sa.select(arrivals).where(arrivals.c.seq > after).order_by(arrivals.c.seq)
    found, total = [], 0
    result = connection.execute(query.limit(1000))
    for row in result:
        found.append(Arrival(row.seq, row.at_us, _decoded(row.payload)))
        total += row.samples
        if total >= most_samples:
            break
    result.close()
    return found


def newest(connection: sa.Connection) -> int:
    """The position of now."""
    found = connection.scalar(sa.select(sa.func.max(arrivals.c.seq)))
    return int(found or read_meta(connection, _GONE) or 0)


def forget(engine: sa.Engine, before_us: int) -> int:
    """Drop what arrived before a moment, in short transactions; returns how many rows went."""
    gone = 0
    while True:
        with in_words(place_of(engine.url)), engine.begin() as connection:
            c = arrivals.c
            query = sa.select(c.seq).where(c.at_us < before_us).order_by(c.seq).limit(_ROWS_A_BITE)
            seqs = list(connection.scalars(query))
            if not seqs:
                return gone
            connection.execute(sa.delete(arrivals).where(c.seq <= seqs[-1]))
            put_meta(connection, _GONE, str(seqs[-1]))
        gone += len(seqs)


def _encoded(columns: Columns) -> bytes:
    """Times as differences, values by significance of their bytes: both compress far better."""
    steps = np.diff(columns.time_us, prepend=0).astype("<i8")
    parts = (steps, columns.series_id.astype("<i4"), columns.value.astype("<f8"), columns.flags.astype("u1"))
    raw = b"".join(p.view(np.uint8).reshape(len(columns), -1).T.tobytes() for p in parts)
    body = struct.pack("<I", len(columns)) + _CODEC.compress(raw, asbytes=True)
    encoded: bytes = struct.pack("<I", zlib.crc32(body)) + body
    return encoded


def _decoded(payload: bytes) -> Columns:
    checksum, rows = struct.unpack_from("<II", payload)
    if zlib.crc32(payload[4:]) != checksum:
        raise ValueError("a row of `arrivals` is damaged (its checksum does not match)")
    raw = np.frombuffer(_CODEC.decompress(payload[8:], rows * _ITEM_BYTES, asbytes=True), np.uint8)
    columns, at = [], 0
    for kind in ("<i8", "<i4", "<f8", "u1"):
        size = np.dtype(kind).itemsize * rows
        columns.append(np.ascontiguousarray(raw[at : at + size].reshape(-1, rows).T).view(kind).reshape(rows))
        at += size
    return Columns(
        np.cumsum(columns[0]).astype(np.int64), columns[1].astype(np.int32), columns[2].astype(np.float64),
        columns[3].astype(np.uint8),
    )  # fmt: skip
