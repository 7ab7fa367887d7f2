"""Intervals of a share against SciPy and statsmodels, and against what they promise to cover."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, binomtest
from statsmodels.stats.proportion import proportion_confint

from hissmark.figures.proportions import clopper_pearson, proportion, wilson

CASES = [(k, n) for n in (1, 2, 3, 7, 20, 51, 400) for k in sorted({0, 1, n // 3, n // 2, n - 1, n})]


@pytest.mark.parametrize(("hits", "cases"), CASES)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_as_scipy_and_statsmodels_have_it(hits: int, cases: int, confidence: float) -> None:
    ours = wilson(hits, cases, confidence)
    theirs = binomtest(hits, cases).proportion_ci(confidence, method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-12)
    others = proportion_confint(hits, cases, alpha=1 - confidence, method="wilson")
    assert ours == pytest.approx(others, abs=1e-12)


@pytest.mark.parametrize(("hits", "cases"), CASES)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_clopper_pearson_as_scipy_and_statsmodels_have_it(hits: int, cases: int, confidence: float) -> None:
    ours = clopper_pearson(hits, cases, confidence)
    theirs = binomtest(hits, cases).proportion_ci(confidence, method="exact")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    others = proportion_confint(hits, cases, alpha=1 - confidence, method="beta")
    assert ours == pytest.approx(others, abs=1e-9)


def coverage(interval: object, cases: int, share: float) -> float:
    """Chance that the interval of a random count holds the true share."""
    chance = binom.pmf(np.arange(cases + 1), cases, share)
    bounds = [interval(k, cases) for k in range(cases + 1)]  # type: ignore[operator]
    return float(sum(p for p, (low, high) in zip(chance, bounds, strict=True) if low <= share <= high))


@pytest.mark.parametrize("cases", [5, 10, 30])
def test_clopper_pearson_never_covers_less_than_it_says(cases: int) -> None:
    """Brown, Cai and DasGupta (2001), section 4.2.1: coverage is at least the nominal one everywhere."""
    shares = np.linspace(0.01, 0.99, 99)
    assert min(coverage(clopper_pearson, cases, p) for p in shares) >= 0.95


@pytest.mark.parametrize("cases", [10, 30, 50])
def test_wilson_covers_what_it_says_on_average(cases: int) -> None:
    """Brown, Cai and DasGupta (2001), section 4.1: its mean coverage lies close to the nominal 0.95."""
    shares = np.linspace(0.01, 0.99, 197)
    mean = float(np.mean([coverage(wilson, cases, p) for p in shares]))
    assert mean == pytest.approx(0.95, abs=0.01)


def test_no_case_tells_nothing() -> None:
    assert proportion(0, 0).value is None
    assert proportion(0, 0).low is None
    with pytest.raises(ValueError, match="no share"):
        wilson(3, 2)
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 2, 1.0)
