"""Charts as steps: time constants, gaps, duplicates, channels that say nothing, whole series at once."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from hissmark.judge.charts import (
    cusum_path,
    cusum_restart,
    cusum_signals,
    cusum_start,
    cusum_step,
    ewma_path,
    ewma_sigma,
    ewma_step,
    ewma_weight,
)


def test_weight_follows_time_and_not_the_number_of_samples() -> None:
    state, target = np.array([0.0]), 10.0
    for _ in range(60):
        state = ewma_step(state, target, ewma_weight(1.0, 60.0))
    once = ewma_step(np.array([0.0]), target, ewma_weight(60.0, 60.0))
    assert state[0] == pytest.approx(once[0]) == pytest.approx(10.0 * (1.0 - np.exp(-1.0)))


def test_duplicates_and_reversed_time_change_nothing() -> None:
    assert ewma_weight([0.0, -5.0], 60.0).tolist() == [0.0, 0.0]


def test_after_a_long_gap_the_new_value_counts_alone() -> None:
    assert ewma_step(np.array([50.0]), 20.0, ewma_weight(1e6, 60.0))[0] == pytest.approx(20.0)


def test_a_time_constant_must_be_positive() -> None:
    with pytest.raises(ValueError, match="time constant"):
        ewma_weight(1.0, 0.0)


def test_first_value_starts_and_missing_value_stays() -> None:
    state = ewma_step(np.array([np.nan, 5.0, np.nan]), [7.0, np.nan, np.nan], 0.3)
    assert state[:2].tolist() == [7.0, 5.0]
    assert np.isnan(state[2])


def test_ewma_path_equals_stepping() -> None:
    series = np.random.default_rng(0).normal(size=(200, 3))
    state, steps = np.array([1.0, 2.0, 3.0]), []
    for row in series:
        state = ewma_step(state, row, 0.2)
        steps.append(state)
    np.testing.assert_allclose(ewma_path(series, 0.2, [1.0, 2.0, 3.0]), steps, atol=1e-12)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_ewma_sigma_of_correlated_noise(phi: float) -> None:
    """Against the spread of long simulated series."""
    rng = np.random.default_rng(10)
    noise = ewma_path(rng.standard_normal((4_000, 400)) * np.sqrt(1 - phi**2), 1.0, 0.0)
    x = np.empty_like(noise)
    x[0] = rng.standard_normal(400)
    for t in range(1, len(x)):
        x[t] = phi * x[t - 1] + noise[t]
    spread = ewma_path(x, 0.1, 0.0)[1_000:].std()
    assert spread == pytest.approx(float(ewma_sigma(0.1, phi)), rel=0.03)


def test_ewma_sigma_grows_from_one_value_to_its_limit() -> None:
    assert float(ewma_sigma(0.3, steps=1)) == pytest.approx(0.3)
    assert float(ewma_sigma(0.3, steps=1_000)) == pytest.approx(float(ewma_sigma(0.3)))


@given(arrays(np.float64, (40, 3), elements=st.floats(-5, 5)), st.floats(0.0, 2.0), st.floats(0.0, 3.0))
def test_cusum_path_equals_stepping(series: np.ndarray, reference: float, head_start: float) -> None:
    state, high, low = cusum_start(3, head_start), [], []
    for row in series:
        state = cusum_step(state, row, reference)
        high.append(state.high)
        low.append(state.low)
    path = cusum_path(series, reference, head_start)
    np.testing.assert_allclose(path.high, high, atol=1e-9)
    np.testing.assert_allclose(path.low, low, atol=1e-9)


def test_a_channel_without_news_keeps_its_sums() -> None:
    before = cusum_step(cusum_start(2), [3.0, 3.0], 0.5)
    after = cusum_step(before, [np.nan, 3.0], 0.5)
    assert after.high.tolist() == [2.5, 5.0]
    with_gap = cusum_path(np.array([[3.0], [np.nan], [3.0]]), 0.5)
    assert with_gap.high[:, 0].tolist() == [2.5, 2.5, 5.0]


def test_each_channel_has_its_own_reference_and_limit() -> None:
    state = cusum_step(cusum_start(2), [2.0, 2.0], np.array([0.5, 1.5]))
    high, low = cusum_signals(state, np.array([1.0, 1.0]))
    assert high.tolist() == [True, False]
    assert low.tolist() == [False, False]


def test_restart_touches_only_the_channels_named() -> None:
    state = cusum_step(cusum_start(2), [4.0, 4.0], 0.5)
    restarted = cusum_restart(state, np.array([True, False]), head_start=1.0)
    assert restarted.high.tolist() == [1.0, 3.5]
    assert restarted.low.tolist() == [1.0, 0.0]
