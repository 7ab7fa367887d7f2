"""Columns of samples in key order."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from hissmark.store.rows import Columns

KEYS = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 3)), max_size=30)


def columns(keys: list[tuple[int, int]]) -> Columns:
    """Samples whose value is the place at which they arrived."""
    times, ids = np.array(keys, np.int64).reshape(-1, 2).T
    return Columns(
        times, ids.astype(np.int32), np.arange(len(keys), dtype=float), np.zeros(len(keys), np.uint8)
    )


@given(KEYS)
def test_of_the_same_key_the_first_stays(keys: list[tuple[int, int]]) -> None:
    first: dict[tuple[int, int], int] = {}
    for place, key in enumerate(keys):
        first.setdefault(key, place)
    found = columns(keys).by_key()
    told = zip(found.time_us.tolist(), found.series_id.tolist(), found.value.tolist(), strict=True)
    assert list(told) == [(*key, place) for key, place in sorted(first.items())]


@given(KEYS)
def test_what_is_in_order_is_left_as_it_is(keys: list[tuple[int, int]]) -> None:
    ordered = columns(sorted(set(keys)))
    assert ordered.by_key() is ordered
