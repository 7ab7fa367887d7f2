"""Exceedance levels against ISO 1996-1's convention, numpy, pandas and the Gaussian distribution."""

import warnings

import numpy as np
import pandas as pd
import pytest

from hissmark.signal.percentiles import exceedance_level, masked_level, window_levels

ONE_TO_HUNDRED = np.arange(1.0, 101.0)


def ragged(rows: int = 300, width: int = 64, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Windows of levels with between none and all of their places filled."""
    rng = np.random.default_rng(seed)
    values = rng.normal(40.0, 4.0, (rows, width)).astype(np.float32)
    valid = rng.random((rows, width)) < rng.uniform(0.0, 1.1, (rows, 1))
    valid[0], valid[1], valid[2, 1:] = False, True, False
    return values, valid


def test_l90_is_the_tenth_percentile() -> None:
    """ISO 1996-1, 3.1.3 (SEEN second-hand): the N % level is exceeded for N % of the interval, L_AF95,1h."""
    exceeded = (exceedance_level(ONE_TO_HUNDRED, 90.0) < ONE_TO_HUNDRED).mean()
    assert exceeded == pytest.approx(0.90)
    assert exceedance_level(ONE_TO_HUNDRED, 95.0) < exceedance_level(ONE_TO_HUNDRED, 5.0)


def test_linear_method_on_one_to_hundred() -> None:
    """COMP (numpy, method linear): L10 90.1, L50 50.5, L90 10.9; Hazen would give 90.5 and 10.5."""
    levels = window_levels(ONE_TO_HUNDRED[None, :])
    assert float(levels.l10[0]) == pytest.approx(90.1)
    assert float(levels.l50[0]) == pytest.approx(50.5)
    assert float(levels.l90[0]) == pytest.approx(10.9)


def test_window_levels_agree_with_numpy() -> None:
    """Peer: numpy.nanpercentile in float64, rows of every fill from empty to full."""
    values, valid = ragged()
    levels = window_levels(values, valid)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy complains of empty rows
        expected = np.nanpercentile(np.where(valid, values, np.nan).astype(float), [10, 50, 90], axis=1)
    for ours, theirs in zip(levels, expected, strict=True):
        np.testing.assert_allclose(ours, theirs, atol=1e-5)
    assert np.isnan(levels.l90[0])


@pytest.mark.parametrize("percent", [1.0, 25.0, 33.3, 75.0, 90.0, 99.9])
def test_any_percentile_agrees_with_pandas(percent: float) -> None:
    """Peer: pandas Series.quantile, which skips NaN and interpolates linearly."""
    values, valid = ragged(seed=3)
    frame = pd.DataFrame(np.where(valid, values, np.nan).astype(float))
    expected = frame.quantile(1.0 - percent / 100.0, axis=1).to_numpy()
    np.testing.assert_allclose(masked_level(values, valid, percent), expected, atol=1e-5)


def test_rolling_floor_agrees_with_pandas() -> None:
    """Peer: pandas rolling quantile over a window of 60 samples, as a historian would compute it."""
    series = np.random.default_rng(8).normal(35.0, 2.0, 500)
    expected = pd.Series(series).rolling(60).quantile(0.10).to_numpy()[59:]
    windows = np.lib.stride_tricks.sliding_window_view(series, 60)
    np.testing.assert_allclose(exceedance_level(windows, 90.0), expected, atol=1e-9)


def test_gaussian_spread_between_top_and_floor() -> None:
    """L10 - L90 = 2.5631 s for Gaussian levels (COMP: twice the 90 % quantile)."""
    levels = 2.0 * np.random.default_rng(4).standard_normal((1, 400_000))
    window = window_levels(levels)
    assert float(window.l10[0] - window.l90[0]) == pytest.approx(2.5631 * 2.0, rel=0.01)
