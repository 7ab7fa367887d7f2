"""The interval of a counted rate against statsmodels, a printed table, and what it promises to cover."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson
from statsmodels.stats.rates import confint_poisson

from hissmark.figures.rates import counted_rate

GARWOOD = {0: (0.0, 3.689), 1: (0.025, 5.572), 3: (0.619, 8.767), 5: (1.623, 11.668), 10: (4.795, 18.390)}
"""95 % limits of a Poisson mean as statistical tables print them (values from memory)."""


@pytest.mark.parametrize("events", [0, 1, 2, 5, 17, 300])
@pytest.mark.parametrize("exposure", [0.06, 1.0, 40.0])
def test_as_statsmodels_has_it(events: int, exposure: float) -> None:
    ours = counted_rate(events, exposure)
    assert ours is not None
    theirs = confint_poisson(events, exposure, method="exact-c")
    assert (ours.low, ours.high) == pytest.approx(theirs, rel=1e-9, abs=1e-12)
    assert ours.value == events / exposure


@pytest.mark.parametrize("events", GARWOOD)
def test_as_tables_print_it(events: int) -> None:
    ours = counted_rate(events, 1.0)
    assert ours is not None
    assert (ours.low, ours.high) == pytest.approx(GARWOOD[events], abs=6e-4)


@pytest.mark.parametrize("mean", [0.2, 1.0, 4.5, 20.0])
def test_covers_at_least_what_it_says(mean: float) -> None:
    counts = np.arange(0, 200)
    held = [r is not None and r.low <= mean <= r.high for r in (counted_rate(int(k), 1.0) for k in counts)]
    assert float(poisson.pmf(counts, mean)[held].sum()) >= 0.95


def test_nothing_is_said_without_an_exposure() -> None:
    assert counted_rate(3, 0.0) is None
    with pytest.raises(ValueError, match="make no rate"):
        counted_rate(-1, 1.0)
