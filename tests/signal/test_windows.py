"""Windows of any cadence against the plain way: a list of slots and `numpy.percentile`."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.signal.slots import Slots
from hissmark.signal.windows import SlotRing, WindowLevels
from support.rig import START_US, US, Rig, row_of_valves, times

History = list[tuple[int, float]]
"""Slots of one channel: time in s, level."""


def ring_of(histories: list[History], size: int, pieces: int = 1) -> SlotRing:
    ring = SlotRing(len(histories), size)
    rows = sorted((c, t, v) for c, history in enumerate(histories) for t, v in history)
    edges = np.linspace(0, 10**6, pieces + 1)
    for low, high in pairwise(edges.tolist()):
        part = [r for r in rows if low <= r[1] < high]
        level = np.array([r[2] for r in part], np.float32)
        ring.push(
            Slots(
                np.array([r[0] for r in part], np.int32),
                np.array([r[1] * US for r in part], np.int64),
                level,
                level + 1,
                level + 3,
            )
        )
    return ring


def plainly(history: History, size: int, at_s: int, length_s: int) -> dict[str, float]:
    inside = [(t, v) for t, v in history[-size:] if at_s - length_s <= t <= at_s]
    levels = [v for _, v in inside]
    newer = [v for t, v in inside if at_s - t <= length_s / 2]
    older = [v for t, v in inside if at_s - t > length_s / 2]
    nan = float("nan")
    return {
        "low": np.percentile(levels, 10) if levels else nan,
        "middle": np.percentile(levels, 50) + 1 if levels else nan,
        "high": np.percentile(levels, 90) + 3 if levels else nan,
        "drift": np.percentile(newer, 25) - np.percentile(older, 25) if newer and older else nan,
        "newest": np.percentile(newer, 25) if newer else nan,
        "slots": len(levels),
    }


histories = st.lists(
    st.lists(
        st.tuples(st.integers(1, 900), st.integers(-200, 900).map(lambda x: x / 10)),
        max_size=40,
        unique_by=lambda r: r[0],
    ).map(sorted),
    min_size=1,
    max_size=5,
)


@settings(max_examples=150, deadline=None)
@given(histories, st.integers(1, 30), st.integers(1, 6), st.integers(1, 900))
def test_windows_are_those_of_the_plain_way(
    heard: list[History], size: int, pieces: int, length_s: int
) -> None:
    ring = ring_of(heard, size, pieces)
    got = ring.measure(slice(None), 900 * US, np.full(len(heard), length_s * US, np.int64))
    for c, history in enumerate(heard):
        for name, wanted in plainly(history, size, 900, length_s).items():
            np.testing.assert_allclose(getattr(got, name)[c], wanted, atol=3e-4, err_msg=f"{c} {name}")


def test_the_oldest_slots_fall_out_also_within_one_push() -> None:
    ring = ring_of([[(t, float(t)) for t in range(1, 101)]], 10)
    assert sorted(ring.low[0].tolist()) == [float(t) for t in range(91, 101)]


def test_slots_newer_than_the_tick_are_not_in_the_window() -> None:
    ring = ring_of([[(10, 1.0), (20, 2.0), (30, 99.0)]], 8)
    assert ring.measure(slice(None), 25 * US, np.array([600 * US])).slots[0] == 2


def test_an_empty_window_says_nothing() -> None:
    got: WindowLevels = SlotRing(2, 4).measure(slice(None), START_US, np.full(2, 600 * US))
    assert np.isnan(got.low).all()
    assert got.slots.tolist() == [0, 0]


CADENCES_S = {"AE-1": 0.1, "AE-2": 10.0, "AE-3": 60.0, "AE-4": 3600.0, "AE-5/L90": 60.0}


def mixed_group() -> tuple[Rig, dict[str, tuple[np.ndarray, np.ndarray]]]:
    """Ten samples a second, one in ten seconds, a minute, an hour, and a self-reporting sensor together."""
    rig, rng = Rig(row_of_valves(5)), np.random.default_rng(2)
    samples, heard = rig.samples(), {}
    for name, every in CADENCES_S.items():
        t = times(0.0 if every >= 10 else 5 * 3600.0, 6.5 * 3600, every)
        level = 20.0 + 3.0 * rng.standard_normal(len(t))
        heard[name] = (t, level)
        samples.add(name, t, level)
    t = heard["AE-5/L90"][0]
    samples.add("AE-5/L10", t, 40.0).add("AE-5/L50", t, 30.0)
    rig.feed(samples.batch())
    return rig, heard


def test_one_tick_of_a_mixed_group_is_the_percentile_over_each_channels_own_window() -> None:
    rig, heard = mixed_group()
    tick = rig.last
    at_s = (tick.at_us - START_US) / US

    def window(name: str, length_s: float) -> tuple[np.ndarray, np.ndarray]:
        t, level = heard[name]
        inside = (t >= at_s - length_s) & (t < at_s)
        return t[inside], level[inside].astype(np.float32)

    t, level = window("AE-1", 600)
    slot = (t + 1e-6) // 10
    floors = [np.percentile(level[slot == s], 10) for s in np.unique(slot)]
    assert tick.level_db[0] == pytest.approx(np.percentile(floors, 10), abs=0.05)
    for place, name in ((1, "AE-2"), (2, "AE-3"), (4, "AE-5/L90")):
        assert tick.level_db[place] == pytest.approx(np.percentile(window(name, 600)[1], 10), abs=0.02), name
    assert (tick.l50_db[4], tick.l10_db[4]) == (30.0, 40.0)
    hourly = window("AE-4", 4.25 * 3600)[1]
    assert len(hourly) == 4
    assert tick.level_db[3] == pytest.approx(np.percentile(hourly, 10), abs=0.02)
    assert tick.interval_s == pytest.approx([0.1, 10.0, 60.0, 3600.0, 60.0], rel=0.05)


def test_a_mixed_group_loses_nobody_to_staleness() -> None:
    rig, _ = mixed_group()
    assert "no fresh data" not in {rig.reason(f"XV-{i}").text for i in range(1, 6)}
    assert rig.verdict("XV-2").text == "quiet"
    assert rig.last.last_us[3] == START_US + 6 * 3600 * US


def test_measured_in_blocks_the_windows_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """To the last bit, for all rows and for some, in blocks that end within and behind them."""
    rng = np.random.default_rng(4)
    heard = [
        [(int(t), float(v)) for t, v in zip(range(1, 900, 30), rng.normal(30, 5, 30), strict=True)]
        for _ in range(11)
    ]
    ring = ring_of(heard, 24, 2)
    length_us = rng.integers(60, 900, 11) * US
    for rows in (slice(None), np.array([7, 2, 9, 4, 0])):
        mine = length_us[rows]
        whole = ring.measure(rows, 800 * US, mine)
        for block in (2, 5, 11):
            monkeypatch.setattr("hissmark.signal.windows.BLOCK", block)
            for one, other in zip(whole, ring.measure(rows, 800 * US, mine), strict=True):
                assert one.dtype == other.dtype
                np.testing.assert_array_equal(one, other)
        monkeypatch.undo()
