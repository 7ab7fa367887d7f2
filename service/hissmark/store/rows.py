"""The hot path: columns of samples into the `samples` table through the driver itself.

SQLAlchemy's own executemany handles 100,000 to 130,000 rows/s; what is here reaches the limits of the
databases. All functions leave the transaction to the caller and never replace a stored sample.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, LiteralString

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import psycopg

ROWS_A_STATEMENT = 100
"""SQLite: rows in one INSERT. Most of the cost of a row is that of running a statement."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Samples ready to store: sorted by (time, series id), no pair twice.

    Attributes: time_us int64[n], series_id int32[n], value float64[n], flags uint8[n].
    """

    time_us: npt.NDArray[np.int64]
    series_id: npt.NDArray[np.int32]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_us)

    @classmethod
    def of(
        cls,
        time_us: npt.NDArray[np.int64],
        series_id: npt.NDArray[np.int32],
        value: npt.NDArray[np.float64],
        flags: npt.NDArray[np.uint8],
    ) -> Columns:
        """Sort into key order; of samples with the same key the first to arrive stays."""
        return cls(time_us, series_id, value, flags).by_key()

    def by_key(self) -> Columns:
        """The same for rows in any order."""
        if self._in_order():
            return self
        order = np.lexsort((self.series_id, self.time_us))  # stable, so arrival order decides among equals
        return self.take(order)._first_of_each()

    def by_series(self) -> Columns:
        """The same by series id, then time, as files hold them; of the same key the first stays."""
        return self.take(series_order(self.series_id, self.time_us))._first_of_each()

    def take(self, which: slice | npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Columns:
        """The rows that a slice, a mask or an index array picks."""
        return Columns(self.time_us[which], self.series_id[which], self.value[which], self.flags[which])

    def _in_order(self) -> bool:
        """Whether every key is above the one before."""
        earlier, later = self.time_us[:-1], self.time_us[1:]
        if (later < earlier).any():
            return False
        return bool(((later > earlier) | (self.series_id[1:] > self.series_id[:-1])).all())

    def _first_of_each(self) -> Columns:
        """Of neighbours with the same key the first."""
        fresh = np.ones(len(self), bool)
        fresh[1:] = (self.time_us[1:] != self.time_us[:-1]) | (self.series_id[1:] != self.series_id[:-1])
        return self if fresh.all() else self.take(fresh)


def series_order(series: npt.NDArray[np.int32], time_us: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Indices that sort by series, then time; equals stay as they are.

    Samples mostly come by time within each series, and numbers of 16 bits are sorted by counting: that is
    many times as fast as sorting by both.
    """
    if not len(series):
        return np.empty(0, np.intp)
    low = int(series.min())
    narrow = int(series.max()) - low < 1 << 16
    order = np.argsort((series - low).astype(np.uint16) if narrow else series, kind="stable")
    by_series, times = series[order], time_us[order]
    back = (by_series[1:] == by_series[:-1]) & (times[1:] < times[:-1])
    return order[np.lexsort((times, by_series))] if back.any() else order


def insert_sqlite(connection: sqlite3.Connection, columns: Columns) -> int:
    """Insert what is not stored yet; returns how many rows that were."""
    whole = len(columns) // ROWS_A_STATEMENT * ROWS_A_STATEMENT
    flat: list[Any] = [None] * (4 * len(columns))
    flat[0::4], flat[1::4] = columns.time_us.tolist(), columns.series_id.tolist()
    flat[2::4], flat[3::4] = columns.value.tolist(), columns.flags.tolist()
    new = 0
    for rows_a_statement, values in ((ROWS_A_STATEMENT, flat[: 4 * whole]), (1, flat[4 * whole :])):
        if values:
            one = iter(values)
            parameters = zip(*[one] * (4 * rows_a_statement), strict=True)
            new += connection.executemany(_insert_sql(rows_a_statement), parameters).rowcount
    return new


def _insert_sql(rows: int) -> str:
    values = ",".join(["(?,?,?,?)"] * rows)
    into = "INSERT INTO samples (time_us, series_id, value, flags)"
    return f"{into} VALUES {values} ON CONFLICT DO NOTHING"


_COPY_ROW = np.dtype(
    [
        ("fields", ">i2"),
        ("time_size", ">i4"), ("time_us", ">i8"),
        ("series_size", ">i4"), ("series_id", ">i4"),
        ("value_size", ">i4"), ("value", ">f8"),
        ("flags_size", ">i4"), ("flags", ">i2"),
    ]
)  # fmt: skip
_COPY_HEAD = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_TAIL = b"\xff\xff"
_COPY_COLUMNS: LiteralString = "(time_us, series_id, value, flags) FROM STDIN (FORMAT BINARY)"
_WARY_BATCHES = 16

STAGING = (
    "CREATE TEMPORARY TABLE IF NOT EXISTS samples_arriving (time_us bigint NOT NULL, "
    "series_id integer NOT NULL, value double precision NOT NULL, flags smallint NOT NULL) "
    "ON COMMIT DELETE ROWS"
)


def copy_image(columns: Columns) -> bytes:
    """The rows in PostgreSQL's binary COPY format (its manual, COPY, "Binary Format")."""
    rows = np.zeros(len(columns), _COPY_ROW)
    rows["fields"] = 4
    for name, size in (("time_size", 8), ("series_size", 4), ("value_size", 8), ("flags_size", 2)):
        rows[name] = size
    rows["time_us"], rows["series_id"] = columns.time_us, columns.series_id
    rows["value"], rows["flags"] = columns.value, columns.flags
    return _COPY_HEAD + rows.tobytes() + _COPY_TAIL


class PostgresInserter:
    """Inserts what is not stored yet. Needs the table of `STAGING`; one writer's session uses it.

    COPY straight into the table is 2.6 times as fast as by way of a temporary one, but fails as a whole at
    the first duplicate, and the rows it had written then lie dead in the table. Duplicates come in runs
    (redelivery after a restart or a lost connection): after one, and at the start, `wary` asks the caller to
    look first what is there.
    """

    def __init__(self) -> None:
        self._wary = _WARY_BATCHES

    @property
    def wary(self) -> bool:
        """Whether duplicates are to be expected."""
        return self._wary > 0

    def looked(self, *, doubles: bool) -> None:
        """The caller has looked what is there of a batch."""
        self._wary = _WARY_BATCHES if doubles else max(0, self._wary - 1)

    def straight(self, connection: psycopg.Connection[Any], columns: Columns) -> bool:
        """Insert all as they are; False, and none is inserted, if one is stored already."""
        with connection.cursor() as cursor:
            if _copied_straight(cursor, columns):
                return True
        self._wary = _WARY_BATCHES
        return False

    def insert(self, connection: psycopg.Connection[Any], columns: Columns) -> int:
        """Insert those that are not stored; returns how many rows were new."""
        with connection.cursor() as cursor:
            new = _inserted_carefully(cursor, columns)
        self.looked(doubles=new < len(columns))
        return new


def _copied_straight(cursor: psycopg.Cursor[Any], columns: Columns) -> bool:
    from psycopg.errors import UniqueViolation

    cursor.execute("SAVEPOINT straight")
    try:
        with cursor.copy(f"COPY samples {_COPY_COLUMNS}") as copy:
            copy.write(copy_image(columns))
    except UniqueViolation:
        cursor.execute("ROLLBACK TO SAVEPOINT straight")
        return False
    cursor.execute("RELEASE SAVEPOINT straight")
    return True


def _inserted_carefully(cursor: psycopg.Cursor[Any], columns: Columns) -> int:
    with cursor.copy(f"COPY samples_arriving {_COPY_COLUMNS}") as copy:
        copy.write(copy_image(columns))
    cursor.execute(
        "INSERT INTO samples (time_us, series_id, value, flags) "
        "SELECT time_us, series_id, value, flags FROM samples_arriving ON CONFLICT DO NOTHING"
    )
    new = cursor.rowcount
    cursor.execute("DELETE FROM samples_arriving")
    return new
