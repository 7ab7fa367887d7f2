"""Rows by day, whatever order they come in and however many of them go by way of the disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.imports import spool
from hissmark.imports.spool import Spool
from hissmark.replay.rows import Rows
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.rows import Columns

DAY = 20_513  # 2026-03-01 in days since 1970


def rows(days: list[int], start: int) -> Rows:
    """A row in each of the days, numbered from `start`."""
    n = len(days)
    times = (DAY + np.array(days, np.int64)) * DAY_US + np.arange(n)
    return Rows(np.arange(start, start + n, dtype=np.int32), times, np.arange(start, start + n) / 3)


@pytest.mark.parametrize("in_memory", [3, 20, 1000])
def test_each_day_in_the_order_in_which_it_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, in_memory: int
) -> None:
    monkeypatch.setattr(spool, "ROWS_IN_MEMORY", in_memory)
    kept, count = Spool(tmp_path), 0
    expected: dict[int, list[int]] = {}
    for days in ([0, 0, 0], [3, 1, 0, 1], [], [1], [0, 36_000, 0, 3, 3], [1, 1]):
        kept.add(rows(days, count))
        for i, day in enumerate(days):
            expected.setdefault(day, []).append(count + i)
        count += len(days)
    found = {at_us // DAY_US - DAY: part for at_us, part in kept.days()}
    assert list(found) == sorted(expected)
    assert {day: part.series.tolist() for day, part in found.items()} == expected
    for day, part in found.items():
        assert (part.time_us // DAY_US == DAY + day).all()
        assert (part.value == part.series / 3).all()


@given(
    st.lists(st.tuples(st.sampled_from([0, 1, 2, 70_000]), st.integers(0, 5), st.integers(0, 9)), max_size=40)
)
def test_by_series_is_by_time_otherwise_ordered(samples: list[tuple[int, int, int]]) -> None:
    """Of the same key the first stays, whichever way they are sorted."""
    columns = Columns(
        np.array([time_us for _, time_us, _ in samples], np.int64),
        np.array([i for i, _, _ in samples], np.int32),
        np.array([value for _, _, value in samples], np.float64),
        np.zeros(len(samples), np.uint8),
    )
    first: dict[tuple[int, int], float] = {}
    for i, time_us, value in samples:
        first.setdefault((i, time_us), float(value))
    found = columns.by_series()
    keys = list(zip(found.series_id.tolist(), found.time_us.tolist(), strict=True))
    assert keys == sorted(first)
    assert found.value.tolist() == [first[key] for key in keys]
