"""Days of invented samples, and ways to look at them, for the tests of the archive."""

from __future__ import annotations

from typing import Any

import numpy as np
import sqlalchemy as sa

from hissmark.decode.columns import Batch
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.archive.seal import Sealer
from hissmark.store.schema import samples

D0 = 1_772_323_200_000_000  # 2026-03-01T00:00:00Z
NAMES = ("PT-1", "XV-101", "XV-102", "XV-103")
KINDS = {"PT-1": "process", "XV-101": "level", "XV-102": "level", "XV-103": "level"}
GROUPS = {"PT-1": "shared", "XV-101": "North", "XV-102": "North", "XV-103": "South yard/2"}

Row = tuple[str, int, float, int]


def batch(rows: list[tuple[int, int, float]], flags: int = 0) -> Batch:
    """Rows of (index into NAMES, time in µs, value)."""
    series, times, values = zip(*rows, strict=True) if rows else ((), (), ())
    return Batch(
        np.array(series, np.int32), np.array(times, np.int64), np.array(values, np.float64),
        np.full(len(rows), flags, np.uint8),
    )  # fmt: skip


def days(count: int, a_day: int, seed: int = 1) -> Batch:
    """`a_day` moments of every name on each day; values with many digits."""
    rng = np.random.default_rng(seed)
    times = np.concatenate([D0 + d * DAY_US + np.sort(rng.integers(0, DAY_US, a_day)) for d in range(count)])
    n = len(NAMES)
    return Batch(
        np.tile(np.arange(n, dtype=np.int32), len(times)), np.repeat(times, n),
        rng.normal(35.0, 4.0, n * len(times)), np.zeros(n * len(times), np.uint8),
    )  # fmt: skip


def write(store: Any, *batches: Batch) -> Any:
    """Store batches through a writer that stays open."""
    writer = store.writer(NAMES, kinds=KINDS)
    for each in batches:
        with writer.transaction() as tx:
            tx.samples(each)
    return writer


def sealer(store: Any, **options: Any) -> Sealer:
    return Sealer(store.engine(), store.archive, GROUPS, lambda: D0 + 99 * DAY_US, rest=0, **options)


def everything(store: Any, from_us: int = 0, to_us: int = 1 << 62, **options: Any) -> list[Row]:
    """All samples as rows, in the order in which they are read."""
    found: list[Row] = []
    for page in store.reader().raw(NAMES, from_us, to_us, **options):
        names = [NAMES[i] for i in page.series.tolist()]
        found += zip(names, page.time_us.tolist(), page.value.tolist(), page.flags.tolist(), strict=True)
    return found


def in_database(store: Any) -> int:
    with store.engine().connect() as connection:
        return int(connection.scalar(sa.select(sa.func.count()).select_from(samples)) or 0)
