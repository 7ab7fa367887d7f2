"""Which files the archive consists of: the table `sealed_files`."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import Any
from urllib.parse import quote

import numpy as np
import sqlalchemy as sa

from hissmark.store.dialects import upsert
from hissmark.store.tables_archive import sealed_files

DAY_US = 86_400_000_000
_FEW_SERIES = 40
"""Up to so many series the database picks the files; beyond it is done here."""


class Kind(StrEnum):
    """What a file holds. Samples and minutes are filed by day, hours by month."""

    SAMPLES = "samples"
    MINUTE = "minute"
    HOUR = "hour"


@dataclass(frozen=True, slots=True)
class SealedFile:
    """A file of the archive. `start_us` is the start of its day (of its month for hours).

    Generation 0 is planned: it says where its series will be filed, and there may be no file yet.
    """

    kind: Kind
    start_us: int
    group: str
    path: str
    generation: int
    rows: int
    bytes: int
    sha256: str
    first_us: int
    last_us: int
    series: frozenset[int]
    sealed_us: int


def day_of(time_us: int) -> int:
    """Start of the UTC day that holds a moment, microseconds."""
    return time_us // DAY_US * DAY_US


def month_of(time_us: int) -> int:
    """Start of the UTC month that holds a moment, microseconds."""
    month = np.datetime64(time_us, "us").astype("datetime64[M]")
    return int(month.astype("datetime64[us]").astype(np.int64))


def path_of(kind: Kind, start_us: int, group: str) -> str:
    """Where a file is, below the archive: ``samples/day=2026-03-01/group=North/data.parquet``.

    `key=value` folders are what pandas, DuckDB and Spark take for columns; values are percent-encoded.
    """
    word = "month" if kind is Kind.HOUR else "day"
    when = str(np.datetime64(start_us, "us"))[: 7 if kind is Kind.HOUR else 10]
    return f"{kind}/{word}={when}/group={quote(group, safe='')}/data.parquet"


def find(
    connection: sa.Connection,
    kind: Kind,
    from_us: int,
    to_us: int,
    ids: Collection[int] | None = None,
    limit: int | None = None,
    *,
    planned: bool = False,
) -> list[SealedFile]:
    """Files with from_us <= start < to_us that hold any of `ids` (None: all), by start, then group.

    With `planned` also those that are still to be written (generation 0).
    """
    c = sealed_files.c
    query = sa.select(sealed_files).where(c.kind == str(kind), c.start_us >= from_us, c.start_us < to_us)
    if ids is not None and len(ids) <= _FEW_SERIES:
        query = query.where(sa.or_(sa.false(), *(c.series.like(f"%,{i},%") for i in ids)))
    query = query.where(c.generation >= 0 if planned else c.generation > 0)
    query = query.order_by(c.start_us, c.group_name).limit(limit)
    found = [_file(row) for row in connection.execute(query).mappings()]
    return found if ids is None else [file for file in found if not file.series.isdisjoint(ids)]


def first(connection: sa.Connection, kind: Kind) -> SealedFile | None:
    """The first file of a kind by its path, as whoever reads the folder finds them."""
    c = sealed_files.c
    start_us = connection.scalar(
        sa.select(sa.func.min(c.start_us)).where(c.kind == str(kind), c.generation > 0)
    )
    if start_us is None:
        return None
    return min(find(connection, kind, start_us, start_us + 1), key=lambda file: file.path)


def going(connection: sa.Connection, kind: Kind) -> list[SealedFile]:
    """Files whose deletion was cut short."""
    c = sealed_files.c
    query = sa.select(sealed_files).where(c.kind == str(kind), c.generation < 0)
    return [_file(row) for row in connection.execute(query).mappings()]


def put(connection: sa.Connection, files: Collection[SealedFile]) -> None:
    """Put files on record, instead of those with the same kind, start and group."""
    if not files:
        return
    statement = upsert(connection, sealed_files)
    keys = ["kind", "start_us", "group_name"]
    others = {c.name: statement.excluded[c.name] for c in sealed_files.c if c.name not in keys}
    connection.execute(
        statement.on_conflict_do_update(index_elements=keys, set_=others), [_values(f) for f in files]
    )


def remove(connection: sa.Connection, file: SealedFile) -> None:
    """Strike a file off the record."""
    c = sealed_files.c
    connection.execute(
        sa.delete(sealed_files).where(
            c.kind == str(file.kind), c.start_us == file.start_us, c.group_name == file.group
        )
    )


def sealed_extent(connection: sa.Connection, kind: Kind = Kind.SAMPLES) -> tuple[int, int] | None:
    """First and last time in the files of a kind: of samples, or starts of periods."""
    c = sealed_files.c
    query = sa.select(sa.func.min(c.first_us), sa.func.max(c.last_us)).where(
        c.kind == str(kind), c.generation > 0
    )
    first, last = connection.execute(query).one()
    return None if first is None else (first, last)


def _file(row: Any) -> SealedFile:
    values = dict(row)
    values["kind"] = Kind(values["kind"])
    values["group"] = values.pop("group_name")
    values["series"] = frozenset(int(i) for i in values["series"].strip(",").split(",") if i)
    return SealedFile(**values)


def _values(file: SealedFile) -> dict[str, Any]:
    values = {name: getattr(file, name) for name in SealedFile.__slots__}
    values["group_name"] = values.pop("group")
    values["kind"] = str(file.kind)
    values["series"] = "," + "".join(f"{i}," for i in sorted(file.series))
    return values
