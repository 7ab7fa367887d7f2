"""History: thinning keeps what an eye must not miss, and a gap stays a gap."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from hissmark.store.history import ChannelHistory
from hissmark.store.ticked import history_of_channel
from hissmark.upkeep.following import places_of
from hissmark.web.history import history_of, runs, thin
from hissmark.web.parameters import Span
from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented, invented, tick_of


@given(
    values=npst.arrays(np.float32, st.integers(1, 400), elements=st.floats(0, 90, width=32)),
    buckets=st.integers(2, 40),
)
def test_lowest_and_highest_of_every_bucket_stay(values: np.ndarray, buckets: int) -> None:
    """Against pandas: minimum and maximum per bucket of the kept rows equal those of all rows."""
    time_us = np.arange(len(values), dtype=np.int64) * MINUTE_US
    to_us = len(values) * MINUTE_US
    keep = thin(time_us, values, 0, to_us, buckets)
    assert len(keep) <= max(2 * buckets, len(values) if len(values) <= 2 * buckets else 0)
    assert (np.diff(keep) > 0).all()
    bucket = time_us // max(1, -(-to_us // buckets))
    whole = pd.Series(values).groupby(bucket).agg(["min", "max"])
    kept = pd.Series(values[keep]).groupby(bucket[keep]).agg(["min", "max"])
    pd.testing.assert_frame_equal(whole, kept)


def test_a_bucket_without_values_keeps_a_row() -> None:
    values = np.ones(100, np.float32)
    values[40:60] = np.nan
    keep = thin(np.arange(100, dtype=np.int64), values, 0, 100, 10)
    assert np.isnan(values[keep]).any()


def test_runs_end_at_changes_and_gaps() -> None:
    time_us = np.array([0, 1, 2, 3, 10, 11], np.int64)
    code = np.array([5, 5, 7, 7, 7, 7])
    assert runs(time_us, code, 1) == [(0, 1, 5), (2, 3, 7), (10, 11, 7)]
    assert runs(time_us[:0], code[:0], 1) == []


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5}) as made:
        for minute in range(300, 0, -1):
            if not 100 < minute < 140:
                made.tick({"North": PASSING if minute <= 60 else QUIET}, START_US - minute * MINUTE_US)
        yield made


def test_a_gap_is_an_empty_row(plant: Invented) -> None:
    found = history_of(
        plant.reader, places_of(None, plant.register.valves["XV-103"]),
        Span(START_US - 300 * MINUTE_US, START_US), 5000, tick_s=60, now_us=START_US,
    )  # fmt: skip
    assert found["ticks"] == 261
    assert found["columns"]["level_db"].count(None) == 1
    hole = found["columns"]["level_db"].index(None)
    assert found["at"][hole + 1] - found["at"][hole - 1] == pytest.approx(40 * 60)


def test_thinned_history_has_the_same_extremes_and_runs(plant: Invented) -> None:
    span = Span(START_US - 300 * MINUTE_US, START_US)
    valve = places_of(None, plant.register.valves["XV-103"])
    full = history_of(plant.reader, valve, span, 5000, tick_s=60, now_us=START_US)
    few = history_of(plant.reader, valve, span, 40, tick_s=60, now_us=START_US)
    assert len(few["at"]) <= 45
    levels = [[v for v in h["columns"]["level_db"] if v is not None] for h in (full, few)]
    assert (min(levels[0]), max(levels[0])) == (min(levels[1]), max(levels[1]))
    assert full["verdicts"] == few["verdicts"]
    assert [run["value"] for run in few["verdicts"]] == ["quiet", "quiet", "passing"]


def test_an_empty_span_is_empty(plant: Invented) -> None:
    span = Span(START_US - 9000 * MINUTE_US, START_US - 8000 * MINUTE_US)
    found = history_of(
        plant.reader, places_of(None, plant.register.valves["XV-103"]), span, 100, tick_s=60, now_us=START_US
    )
    assert (found["at"], found["verdicts"], found["marks"]) == ([], [], [])


def test_ticks_not_in_the_store_yet_are_in_the_chart(plant: Invented) -> None:
    """The store is behind by half a minute of the clock, which in the demo is half an hour of the plant."""
    channel = plant.register.valves["XV-103"]
    valve, index = places_of(None, channel), plant.layout.channels.index(channel)
    waiting = [tick_of(plant.layout, {"North": QUIET}, START_US + i * MINUTE_US) for i in range(3)]

    def recent(from_us: int, to_us: int) -> ChannelHistory:
        return history_of_channel([t for t in waiting if from_us <= t.at_us < to_us], index)

    span = Span(START_US - 5 * MINUTE_US, START_US + 2 * MINUTE_US)
    found = history_of(plant.reader, valve, span, 500, tick_s=60, now_us=START_US, recent=recent)
    assert [at - START_US / 1e6 for at in found["at"]] == [60.0 * m for m in range(-5, 2)]
    assert [run["value"] for run in found["verdicts"]] == ["passing", "quiet"]
    waiting[:] = [tick_of(plant.layout, {"North": PASSING}, START_US)]
    found = history_of(plant.reader, valve, span, 500, tick_s=60, now_us=START_US, recent=recent)
    assert [run["value"] for run in found["verdicts"]] == ["passing"]
