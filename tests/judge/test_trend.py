"""Growth of a leak: slope and interval against SciPy, bounded memory, time until the next severity."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from hissmark.judge.trend import CELLS, FIRST_US, Trend, Trends, sen_slope, until
from support.rig import START_US, US, Rig, learned_rig, row_of_valves, with_settings

BASE = {f"AE-{i}": 20.0 for i in range(1, 6)}
DAY_S = 86_400.0


@pytest.mark.parametrize("count", [5, 8, 12, CELLS])
@pytest.mark.parametrize("seed", range(5))
def test_slope_and_interval_are_those_of_scipy(count: int, seed: int) -> None:
    """`scipy.stats.theilslopes` (Theil 1950; Sen 1968) as the reference."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.choice(40, count, replace=False)).astype(float) / 48
    y = 20.0 + rng.uniform(-3, 3) * x + rng.normal(0, 0.5, count)
    slope, _, low, high = theilslopes(y, x, alpha=0.95)
    assert sen_slope(x, y) == pytest.approx((slope, low, high), rel=1e-12)


def followed(hours: float, level: np.ndarray, every_s: float = 600.0) -> Trends:
    trends = Trends(1)
    for i, t in enumerate(np.arange(0.0, hours * 3600, every_s)):
        trends.follow(START_US + int(t * US), np.ones(1, bool), level[i : i + 1].astype(np.float32))
    return trends


@pytest.mark.parametrize("hours", [3.0, 9.0, 60.0, 900.0])
def test_the_slope_is_found_however_long_it_lasts_in_the_same_memory(hours: float) -> None:
    t = np.arange(0.0, hours * 3600, 600.0)
    trends = followed(hours, 40.0 + 2.0 * t / DAY_S)
    found = trends.of(0)
    assert found is not None
    assert found.db_per_day == pytest.approx(2.0, abs=0.02)
    assert found.low <= 2.0 + 1e-3
    assert found.high >= 2.0 - 1e-3
    assert trends.level.shape == (1, CELLS)
    assert found.span_s >= 0.4 * hours * 3600


def test_one_outlier_does_not_turn_it() -> None:
    """A knock heard for three hours; a straight line through everything (least squares) would give way."""
    t = np.arange(0.0, 14 * 3600, 1800.0)
    level = 40.0 + 2.0 * t / DAY_S + np.random.default_rng(3).normal(0, 0.05, len(t))
    level[-4:-2] += 8.0
    found = followed(14.0, level, 1800.0).of(0)
    assert found is not None
    assert found.db_per_day == pytest.approx(2.0, abs=0.4)
    assert found.low < 2.0 < found.high
    assert np.polyfit(t / DAY_S, level, 1)[0] > 4.0


def test_gaps_are_gaps_and_little_is_not_enough() -> None:
    trends = Trends(2)
    for k in (0, 1, 2, 9):
        trends.follow(START_US + k * FIRST_US, np.array([True, False]), np.full(2, 30.0, np.float32))
    assert trends.of(0) is None
    trends.follow(START_US + 12 * FIRST_US, np.array([True, False]), np.full(2, 30.0, np.float32))
    found = trends.of(0)
    assert found is not None
    assert (found.db_per_day, found.grows) == (0.0, False)
    assert trends.of(1) is None
    trends.forget(np.array([True, False]))
    assert trends.of(0) is None


def test_time_until_the_next_severity_follows_from_powers_that_add() -> None:
    """Over 20 dB a rise of 10 dB needs 20 + 10 lg(10 - 1) = 29.54 dB leak-only, one of 20 dB 39.96 dB."""
    limits = (("clear", 10.0), ("severe", 20.0))
    slight = until(Trend(1.0, 0.5, 2.0, DAY_S), 6.0, limits)
    now = 20 + 10 * np.log10(10**0.6 - 1)
    assert (slight.severity, slight.days) == ("clear", pytest.approx(29.5424 - now, abs=1e-3))
    assert slight.earliest_days == pytest.approx((29.5424 - now) / 2, abs=1e-3)
    clear = until(Trend(1.0, 0.5, 2.0, DAY_S), 12.0, limits)
    needed = 39.9564 - 20 - 10 * np.log10(10**1.2 - 1)
    assert (clear.severity, clear.days) == ("severe", pytest.approx(needed, abs=1e-3))
    assert until(Trend(1.0, 0.5, 2.0, DAY_S), 25.0, limits).severity is None
    assert until(Trend(1.0, -0.5, 2.0, DAY_S), 12.0, limits).severity is None


def growing(rig: Rig, days: float, start_db: float, db_per_day: float) -> Rig:
    """A leak at XV-3 that grows; spill 8 dB a step."""
    begin_s = rig.now_s

    def heard(name: str) -> object:
        loss = 8.0 * abs(int(name[-1]) - 3)

        def level(t: np.ndarray) -> np.ndarray:
            leak = start_db + db_per_day * (t - begin_s) / DAY_S - loss
            return 10 * np.log10(10 ** (BASE[name] / 10) + 10 ** (leak / 10))

        return level

    return rig.run(days * DAY_S, {name: heard(name) for name in BASE}, every_s=60.0)  # type: ignore[misc]


def test_a_passing_valve_says_how_it_grows_in_reading_journal_and_story() -> None:
    from hissmark.engine.story import tell
    from hissmark.publish.reading import group_reading
    from hissmark.publish.story import told

    fast = with_settings(alarms={"off_delay_s": 600}, signal={"tick_s": 300})
    rig = growing(learned_rig(row_of_valves(5), BASE, settings=fast), 2.0, 30.0, 4.0)
    at = rig.place("XV-3")
    trend = rig.last.trends[at]
    assert trend.db_per_day == pytest.approx(4.0, abs=0.6)
    assert trend.low < 4.0 < trend.high
    assert trend.severity == "severe"
    assert set(rig.last.trends) == {at}
    row = group_reading(rig.layout, rig.last, 0)["channels"][at]["trend"]
    assert row is not None
    assert row["next_severity"] == "severe"
    assert group_reading(rig.layout, rig.last, 0)["channels"][0]["trend"] is None
    story = tell(rig.engine, at)
    assert story is not None
    (sentence,) = [s for s in told(story) if s.startswith("The leak is growing by")]
    assert "severe in about" in sentence
    other = Rig(row_of_valves(5), fast)
    other.engine.restore(rig.engine.snapshot())
    assert other.engine.stepper.trends.of(at) == rig.engine.stepper.trends.of(at)
    rig.run(4 * 3600, dict(BASE))
    assert rig.last.trends == {}
    assert rig.engine.stepper.trends.of(at) is None


@pytest.mark.slow
def test_the_journal_says_how_a_slowly_growing_leak_grows() -> None:
    """By the time it is annunciated its growth is known."""
    slow = with_settings(alarms={"on_delay_s": 6 * 3600})
    rig = growing(learned_rig(row_of_valves(5), BASE, settings=slow), 1.0, 31.0, 6.0)
    (raised,) = [e for e in rig.journal if e.event == "raised" and e.alarm == "passing"]
    assert "growing by" in raised.reason
    assert "dB a day" in raised.reason
