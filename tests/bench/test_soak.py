"""The soak's arithmetic: what grows and what does not, and that its plant sends what it says."""

from __future__ import annotations

import json
import sys
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import linregress

sys.path.insert(0, str(Path(__file__).parent))

from soaking.plant import Plant
from soaking.slopes import slope

SIX_HOURS_S = np.arange(0.0, 6 * 3600.0, 10.0)


def test_slope_and_error_are_those_of_a_regression_on_block_means() -> None:
    """Against scipy.stats.linregress on the means of 24 blocks."""
    values = 400.0 + 3.0 * SIX_HOURS_S / 3600.0 + np.random.default_rng(1).normal(0.0, 5.0, len(SIX_HOURS_S))
    found = slope(SIX_HOURS_S.tolist(), values.tolist())
    t, y = ([b.mean() for b in np.array_split(c, 24)] for c in (SIX_HOURS_S / 3600.0, values))
    wanted = linregress(t, y)
    assert found is not None
    assert found.an_hour == pytest.approx(wanted.slope)
    assert found.error == pytest.approx(wanted.stderr)
    assert found.grows(1.0)
    assert not found.grows(4.0)


@pytest.mark.parametrize("leak_an_hour", [0.0, 8.0])
def test_growth_is_told_from_noise_that_hangs_together(leak_an_hour: float) -> None:
    """Readings of a wandering memory of 400 MB: 8 MB an hour are 2 %, and the limit is 1 %."""
    rng, wander = np.random.default_rng(3), np.zeros(len(SIX_HOURS_S))
    for i in range(1, len(wander)):
        wander[i] = 0.97 * wander[i - 1] + rng.normal(0.0, 1.0)
    found = slope(SIX_HOURS_S.tolist(), (400.0 + wander + leak_an_hour * SIX_HOURS_S / 3600.0).tolist())
    assert found is not None
    assert found.sure(4.0)
    assert found.grows(4.0) == (leak_an_hour > 4.0)


def test_cells_that_are_not_known_are_left_out() -> None:
    values = np.where(np.arange(len(SIX_HOURS_S)) % 3, np.nan, 30.0)
    found = slope(SIX_HOURS_S.tolist(), values.tolist())
    assert found is not None
    assert (found.an_hour, found.mean) == (pytest.approx(0.0), 30.0)
    assert slope([0.0, 10.0], [1.0, 2.0]) is None


def test_the_plant_sends_each_sample_once_and_at_its_rate() -> None:
    plant = Plant.of(200.0, 10)
    assert (plant.fast, plant.slow) == (20, 10)
    start_s = 1_700_000_000.0  # long ago: everything is due
    told: list[int] = []
    messages = list(islice(plant.live(start_s, lambda: False, lambda n, _: told.append(n)), 30_000))
    seen: set[tuple[str, int]] = set()
    for topic, payload in messages:
        rows = json.loads(payload)
        if isinstance(rows, dict):
            keys = {(topic, rows["t"])}
        else:
            keys = {(topic, rows[0]["bt"] + row.get("t", 0)) for row in rows}
            assert len(keys) == 60
        assert not keys & seen
        seen |= keys
    singles = [json.loads(p)["t"] for topic, p in messages if topic.startswith("plant/one")]
    assert len(singles) / 200.0 == pytest.approx((singles[-1] - singles[0]) / 1000.0, rel=0.001)
    minutes = (singles[-1] - singles[0]) / 60_000
    assert len(messages) - len(singles) == pytest.approx(10 * (minutes - 1), abs=10)
    assert told[-1] <= len(seen)


def test_the_plant_was_heard_for_an_hour_and_more_before_and_leaks_now_and_then() -> None:
    plant, start_s = Plant.of(2000.0, 10), 1_700_000_000.0
    rows = [json.loads(payload) for _, payload in plant.before(start_s)]
    times = {row[0]["bt"] for row in rows}
    assert max(times) + 60 == start_s
    assert start_s - min(times) > 4200
    assert {row[0]["bn"] for row in rows} == {row["channel"] for row in plant.register()}
    source, turns = 2, 2000 // 200  # the middle of the first group, at 10 samples a second
    levels = [plant.single(source + 200 * turns * s, start_s)[1] for s in range(0, 4800, 60)]
    loud = [json.loads(payload)["v"] > 36.0 for payload in levels]
    assert loud == 2 * ([False] * 10 + [True] * 20 + [False] * 10)
