"""Samples condensed to slots, against the plain way: one slot after the other with `numpy.percentile`."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.signal.slots import Slots, condense

SLOT_US = 10_000_000
Row = tuple[int, int, int, float]
"""channel, role (0 level, 1 L10, 2 L50, 3 L90), time in tenths of a second, level."""


def condensed(rows: list[Row]) -> Slots:
    """Rows in the order in which the intake hands them over: by input (channel and role), then time."""
    rows = sorted(rows, key=lambda r: (r[0], r[1], r[2]))
    channel, role, tenths, value = (
        (np.array(c) for c in zip(*rows, strict=True)) if rows else [np.empty(0)] * 4
    )
    return condense(
        channel.astype(np.int32), role.astype(np.int32), tenths.astype(np.int64) * 100_000,
        value.astype(np.float64), SLOT_US,
    )  # fmt: skip


def plainly(rows: list[Row]) -> dict[tuple[int, int], tuple[float, float, float, int]]:
    """(channel, slot) -> floor, middle, top, last time; what a sensor reports itself comes first."""
    found = {}
    for key in {(c, t * 100_000 // SLOT_US) for c, _, t, _ in rows}:
        mine = [r for r in rows if (r[0], r[2] * 100_000 // SLOT_US) == key]
        by = {role: [r[3] for r in mine if r[1] == role] for role in range(4)}
        own = [float(np.median(by[role])) if by[role] else None for role in (3, 2, 1)]
        heard = [float(np.percentile(by[0], p)) if by[0] else None for p in (10, 50, 90)]
        low = next(x for x in (own[0], heard[0], own[1], own[2]) if x is not None)
        middle = next(x for x in (own[1], heard[1], own[0], own[2]) if x is not None)
        high = next(x for x in (own[2], heard[2], own[1], own[0]) if x is not None)
        found[key] = (low, middle, high, max(r[2] for r in mine) * 100_000)
    return found


rows = st.lists(
    st.tuples(
        st.integers(0, 3),
        st.sampled_from([0, 0, 0, 1, 2, 3]),
        st.integers(0, 600),
        st.integers(-400, 1200).map(lambda x: x / 10),
    ),
    max_size=80,
    unique_by=lambda r: r[:3],
)


@settings(max_examples=150, deadline=None)
@given(rows)
def test_slots_are_those_of_the_plain_way(samples: list[Row]) -> None:
    slots, plain = condensed(samples), plainly(samples)
    keys = list(zip(slots.channel.tolist(), (slots.time_us // SLOT_US).tolist(), strict=True))
    assert keys == sorted(plain)
    wanted = np.array([plain[k] for k in keys]).reshape(-1, 4)
    got = np.stack((slots.low, slots.middle, slots.high, slots.time_us), axis=1)
    np.testing.assert_allclose(got, wanted, atol=2e-4)


def test_a_single_sample_stands_for_its_slot() -> None:
    slots = condensed([(0, 0, 35, 42.5)])
    assert (slots.low[0], slots.middle[0], slots.high[0]) == (42.5, 42.5, 42.5)
    assert slots.time_us[0] == 3_500_000


def test_ten_samples_a_second_make_one_slot_of_a_hundred() -> None:
    """x = 1..100: L90 10.9, L50 50.5, L10 90.1 (numpy's linear method, see check-values of levels)."""
    slots = condensed([(0, 0, t, float(t + 1)) for t in range(100)])
    np.testing.assert_allclose([slots.low[0], slots.middle[0], slots.high[0]], [10.9, 50.5, 90.1], atol=1e-4)


def test_what_a_sensor_reports_itself_wins() -> None:
    own = [(0, 3, 7, 20.0), (0, 2, 7, 24.0), (0, 1, 7, 31.0)]
    slots = condensed([(0, 0, t, 50.0) for t in range(0, 100, 10)] + own)
    assert (slots.low[0], slots.middle[0], slots.high[0]) == (20.0, 24.0, 31.0)


def test_a_lone_percentile_stands_for_the_others() -> None:
    slots = condensed([(0, 3, 7, 20.0)])
    assert (slots.low[0], slots.middle[0], slots.high[0]) == (20.0, 20.0, 20.0)
    slots = condensed([(0, 1, 7, 30.0), (0, 3, 7, 20.0)])
    assert (slots.low[0], slots.high[0]) == (20.0, 30.0)


def test_nothing_in_nothing_out() -> None:
    assert len(condensed([]).channel) == 0
