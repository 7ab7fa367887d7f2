"""Run lengths against the published tables, and against simulation.

Published columns: Lucas & Saccucci 1990 and Lucas & Crosier 1982 as printed under "original results" in the
manual pages of R's package spc (SEEN); Crowder 1987 and Brook & Evans 1972 from the same pages. The
longer columns for the usual lambda and L are computed values (COMP, an independent solver).
"""

from collections.abc import Callable

import numpy as np
import pytest

from hissmark.judge.lattice import lattice_arl
from hissmark.judge.runlength import (
    approximate_arl,
    cusum_arl,
    cusum_limit,
    equivalent_phi,
    ewma_arl,
    limit_for_budget,
    limit_for_run_length,
)

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0)
LONGER_SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)


def printed(value: float) -> float:
    """Three digits are printed: half a unit of the last one is at most 0.5 % of the value."""
    return 0.0051 * value


@pytest.mark.parametrize(
    ("weight", "width", "column"),
    [
        (0.5, 3.071, (500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 1.93, 1.34)),
        (0.03, 2.437, (500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.03, 3.11)),
    ],
)
def test_ewma_lucas_saccucci_table_3(weight: float, width: float, column: tuple[float, ...]) -> None:
    for shift, published in zip(SHIFTS, column, strict=True):
        assert ewma_arl(weight, width, shift) == pytest.approx(published, abs=printed(published)), shift


@pytest.mark.parametrize(
    ("weight", "width", "column"),
    [
        (0.40, 3.054, (499.95, 223.73, 71.20, 28.42, 14.26, 5.87, 3.52, 2.54, 2.02, 1.44)),
        (0.25, 2.998, (499.84, 170.30, 48.29, 20.11, 11.14, 5.46, 3.61, 2.74, 2.26, 1.73)),
        (0.20, 2.962, (499.74, 150.22, 41.76, 18.15, 10.54, 5.50, 3.74, 2.88, 2.38, 1.86)),
        (0.10, 2.814, (499.58, 106.32, 31.30, 15.85, 10.33, 6.08, 4.36, 3.44, 2.87, 2.19)),
        (0.05, 2.615, (499.93, 84.01, 28.76, 16.37, 11.38, 7.11, 5.22, 4.17, 3.50, 2.69)),
    ],
)
def test_ewma_usual_pairs(weight: float, width: float, column: tuple[float, ...]) -> None:
    """Values COMP; the pairs themselves from a public transcription of Lucas & Saccucci."""
    for shift, computed in zip(LONGER_SHIFTS, column, strict=True):
        assert ewma_arl(weight, width, shift) == pytest.approx(computed, abs=0.0051), shift


def test_ewma_high_precision_values() -> None:
    """11.154267016: manual page of spc (SEEN); Crowder lambda 0.5, L 2: 26.45 and 4.91 (SEEN there)."""
    assert ewma_arl(0.25, 3.0, 1.0) == pytest.approx(11.154267016, abs=5e-9)
    assert ewma_arl(0.5, 2.0) == pytest.approx(26.45, abs=0.005)
    assert ewma_arl(0.5, 2.0, 1.0) == pytest.approx(4.91, abs=0.005)


def test_ewma_with_weight_one_is_a_shewhart_chart() -> None:
    """Three-sigma limits on single values: ARL 370.4 (textbook, MEM), one-sided twice as long."""
    assert ewma_arl(1.0, 3.0) == pytest.approx(370.4, abs=0.05)
    assert ewma_arl(1.0, 3.0, two_sided=False) == pytest.approx(740.8, abs=0.1)


def test_cusum_lucas_crosier_two_sided() -> None:
    """k 0.5, h 4 without head start (SEEN)."""
    column = (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.19, 1.71)
    for shift, published in zip(SHIFTS, column, strict=True):
        ours = cusum_arl(4.0, 0.5, shift, two_sided=True)
        assert ours == pytest.approx(published, abs=printed(published)), shift


def test_cusum_lucas_crosier_head_start() -> None:
    """The same with a head start of h / 2 (SEEN)."""
    column = (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.32, 1.07)
    for shift, published in zip(SHIFTS, column, strict=True):
        ours = cusum_arl(4.0, 0.5, shift, head_start=2.0, two_sided=True)
        assert ours == pytest.approx(published, abs=printed(published)), shift


def test_cusum_half_five_two_sided() -> None:
    """k 0.5, h 5 (COMP; 465 and 10.4 are the textbook figures)."""
    column = (465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01)
    for shift, computed in zip(LONGER_SHIFTS, column, strict=True):
        assert cusum_arl(5.0, 0.5, shift, two_sided=True) == pytest.approx(computed, abs=0.0051), shift


def test_cusum_high_precision_values() -> None:
    """k 0.25, h 8, shift 2.5 and k 0.5, h 3 (SEEN in spc and COMP); Brook & Evans printed 117.59 and 3.75.

    The list gives no shift for 3.7491; 1.5 is inferred (it is the one that fits)."""
    assert cusum_arl(8.0, 0.25, 2.5, two_sided=True) == pytest.approx(4.15008, abs=5e-6)
    assert cusum_arl(8.0, 0.25, 2.5, head_start=0.1) == pytest.approx(4.10616, abs=5e-6)
    assert cusum_arl(3.0, 0.5) == pytest.approx(117.5957, abs=5e-5)
    assert cusum_arl(3.0, 0.5, 1.5) == pytest.approx(3.7491, abs=5e-5)


def test_one_sided_chart_runs_twice_as_long() -> None:
    """COMP: 335.4 and 930.9 for h 4 and 5, k 0.5."""
    assert cusum_arl(4.0, 0.5) == pytest.approx(335.4, abs=0.05)
    assert cusum_arl(5.0, 0.5) == pytest.approx(930.9, abs=0.05)


def test_limits_for_given_run_lengths() -> None:
    """COMP: one-sided 10,000 needs h 7.361; two-sided 370.4 needs 4.775 (k 0.5)."""
    assert cusum_limit(10_000.0, 0.5) == pytest.approx(7.361, abs=5e-4)
    assert cusum_limit(370.4, 0.5, two_sided=True) == pytest.approx(4.775, abs=5e-4)


def test_siegmund_figures() -> None:
    """Siegmund's formula with overshoot 1.166 gives 338.09 and 938.22 (COMP); ours is nearer to exact."""
    for limit, siegmund, exact in ((4.0, 338.09, 335.37), (5.0, 938.22, 930.9)):
        ours = float(approximate_arl(limit, 0.5))
        assert ours == pytest.approx(siegmund, rel=0.015)
        assert abs(ours - exact) < abs(siegmund - exact)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.8])
def test_limits_for_correlated_input_keep_their_run_length(phi: float) -> None:
    """Peer: the exact lattice (Markov chain in sum and last value), at 10,000 steps, within 2 %."""
    limit = float(limit_for_run_length(10_000.0, 0.5, phi))
    cells = int(2.5 * limit / np.sqrt(1.0 - phi**2)) + 12
    assert lattice_arl(limit, 0.5, phi, cells) == pytest.approx(10_000.0, rel=0.02)


def simulate(
    draw: Callable[[], np.ndarray], limit: float, reference: float, runs: int
) -> tuple[float, float]:
    """Mean run length of one-sided CUSUMs and its standard error; `draw` gives the next value of each run."""
    total, length = np.zeros(runs), np.zeros(runs)
    running = np.ones(runs, bool)
    for _ in range(20_000):
        total = np.maximum(0.0, total + draw() - reference)
        length += running
        running &= total <= limit
        if not running.any():
            return float(length.mean()), float(length.std() / np.sqrt(runs))
    raise AssertionError("runs did not end")


@pytest.mark.parametrize(("phi", "shift"), [(0.0, 0.0), (0.0, 1.0), (0.5, 0.0), (0.8, 0.0)])
def test_run_lengths_by_simulation(phi: float, shift: float) -> None:
    """Monte Carlo, 3,000 seeded runs, autoregressive input from its stationary start: within 4 s.e. + 3 %."""
    rng, runs = np.random.default_rng(2024), 3_000
    value = rng.standard_normal(runs)

    def draw() -> np.ndarray:
        nonlocal value
        value = phi * value + np.sqrt(1.0 - phi**2) * rng.standard_normal(runs)
        return value + shift

    limit = float(limit_for_run_length(600.0, 0.5, phi))
    mean, error = simulate(draw, limit, 0.5, runs)
    expected = cusum_arl(limit, 0.5, shift) if phi == 0.0 else float(approximate_arl(limit, 0.5, shift, phi))
    assert abs(mean - expected) < 4.0 * error + 0.03 * expected


def test_uncorrected_limit_would_flood_the_operator() -> None:
    """Why autocorrelation matters: a limit made for independent values is passed far too often at 0.8."""
    limit = cusum_limit(10_000.0, 0.5)
    assert lattice_arl(limit, 0.5, 0.8) < 300.0


def test_overlapping_windows_keep_two_thirds_of_the_run_length() -> None:
    """Moving averages of ten ticks (overlapping windows) with the equivalent autocorrelation: not exact,
    documented as 20 to 35 % short of the run length asked for. Monte Carlo, seeded."""
    rng, runs, width = np.random.default_rng(7), 2_000, 10
    recent = rng.standard_normal((width, runs))

    def draw() -> np.ndarray:
        recent[:-1] = recent[1:]
        recent[-1] = rng.standard_normal(runs)
        return recent.mean(axis=0) * np.sqrt(width)

    limit = float(limit_for_run_length(500.0, 0.5, equivalent_phi(width)))
    mean, _ = simulate(draw, limit, 0.5, runs)
    assert 0.6 * 500.0 < mean < 1.0 * 500.0


def test_budget_of_one_false_alarm_in_ten_years() -> None:
    """One tick a minute, 0.1 a year: the exact ARL at the limit is ten years of minutes, within 2 %."""
    limit = float(limit_for_budget(0.1, 525_960.0, 0.5))
    assert cusum_arl(limit, 0.5) == pytest.approx(5_259_600.0, rel=0.02)
