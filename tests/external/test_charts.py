"""EWMA and CUSUM arithmetic against the worked examples of two handbooks."""

import numpy as np
import pytest

from hissmark.judge.charts import cusum_path, cusum_signals, cusum_start, cusum_step, ewma_limits, ewma_path

# NIST/SEMATECH e-Handbook 6.3.2.4 (SEEN second-hand, transcribed with citation; recomputed)
NIST_EWMA_X = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
    52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA_Z = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
    49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip

# NIST/SEMATECH 6.3.2.3: group means and parameters from memory (MEM), sums recomputed (COMP)
NIST_CUSUM_X = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625,
    325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip

# Montgomery & Runger, Applied Statistics and Probability for Engineers, Example 16-6, Table 16-8 (SEEN)
MONTGOMERY_X = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4, 97.0, 96.7,
    100.3, 101.4, 97.2, 101.0,
]  # fmt: skip
MONTGOMERY_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
MONTGOMERY_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]


def test_nist_ewma() -> None:
    """Lambda 0.3, start 50; the page prints two decimals."""
    z = ewma_path(NIST_EWMA_X, 0.3, 50.0)
    np.testing.assert_allclose(z, NIST_EWMA_Z, atol=0.0051)


def test_nist_ewma_limits_and_no_signal() -> None:
    """UCL 52.5884 and LCL 47.4115 as printed (the page truncates its factor, hence the tolerance)."""
    low, high = ewma_limits(50.0, 2.0539, 0.3, 3.0)
    assert high == pytest.approx(52.5884, abs=2e-4)
    assert low == pytest.approx(47.4115, abs=2e-4)
    z = ewma_path(NIST_EWMA_X, 0.3, 50.0)
    assert ((z > low) & (z < high)).all()


def test_nist_cusum_signals_first_in_group_14() -> None:
    """Target 325, k 0.3175, h 4.1959."""
    sums = cusum_path(np.array(NIST_CUSUM_X) - 325.0, 0.3175)
    np.testing.assert_allclose(
        sums.high[12:], [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], atol=1e-9
    )
    assert sums.high[4] == pytest.approx(0.0325)
    assert sums.low.max() == pytest.approx(0.715)
    assert int(sums.low.argmax()) + 1 == 8
    high, low = cusum_signals(sums, 4.1959)
    assert int(np.argmax(high)) + 1 == 14
    assert not low.any()


def test_montgomery_runger_cusum_table() -> None:
    """Both sums of all twenty rows: target 99, K 1, H 10, no signal. Stepped value by value."""
    state, high, low = cusum_start(1), [], []
    for x in MONTGOMERY_X:
        state = cusum_step(state, np.array([x - 99.0]), 1.0)
        high.append(float(state.high[0]))
        low.append(float(state.low[0]))
        assert not any(signal.any() for signal in cusum_signals(state, 10.0))
    np.testing.assert_allclose(high, MONTGOMERY_HIGH, atol=1e-9)
    np.testing.assert_allclose(low, MONTGOMERY_LOW, atol=1e-9)
