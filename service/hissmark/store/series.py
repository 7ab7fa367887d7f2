"""Names and the numbers that samples are stored under."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from hissmark.store.records import SeriesRow
from hissmark.store.schema import series


def register(
    connection: sa.Connection, names: Sequence[str], kinds: Mapping[str, str], now_us: int
) -> npt.NDArray[np.int32]:
    """Make sure every name has an id; returns the ids in the order of `names`, int32[names]."""
    if not names:
        return np.empty(0, np.int32)
    known = {row.name: row for row in read(connection)}
    missing = [name for name in dict.fromkeys(names) if name not in known]
    if missing:
        connection.execute(
            sa.insert(series),
            [{"name": name, "kind": kinds.get(name, ""), "first_seen_us": now_us} for name in missing],
        )
    changed = [
        name for name in names if name in known and kinds.get(name, known[name].kind) != known[name].kind
    ]
    for name in changed:
        connection.execute(sa.update(series).where(series.c.name == name).values(kind=kinds[name]))
    if missing:
        known = {row.name: row for row in read(connection)}
    return np.array([known[name].id for name in names], np.int32)


def read(connection: sa.Connection) -> list[SeriesRow]:
    """Every name that was ever registered."""
    result = connection.execute(sa.select(series).order_by(series.c.id))
    found = [SeriesRow(*row) for row in result.cursor.fetchall()]  # the driver's own tuples are quicker
    result.close()
    return found
