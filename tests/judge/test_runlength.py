"""Run lengths and limits: the table against its own source, inverses, arrays, refusals."""

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
    long_run_variance,
    overshoot,
)


def test_lattice_with_independent_input_equals_the_integral_equation() -> None:
    for limit, reference in ((3.0, 0.5), (5.0, 0.5), (2.0, 1.0), (6.0, 0.25)):
        assert lattice_arl(limit, reference, 0.0, 25) == pytest.approx(cusum_arl(limit, reference), rel=1e-4)


@pytest.mark.parametrize(("phi", "reference"), [(0.0, 0.25), (0.3, 0.5), (0.5, 1.0), (0.7, 0.75)])
def test_overshoot_table_is_what_the_lattice_gives(phi: float, reference: float) -> None:
    """Solve the formula for the overshoot that reproduces the lattice, at 100,000 steps."""
    limit = float(limit_for_run_length(1e5, reference, phi))
    exact = lattice_arl(limit, reference, phi, int(4 * limit / np.sqrt(1 - phi**2)) + 12)
    needed = float(limit_for_run_length(exact, reference, phi)) - limit + float(overshoot(phi, reference))
    assert needed == pytest.approx(
        float(overshoot(phi, reference)), abs=0.004 * float(long_run_variance(phi))
    )


def test_limit_and_run_length_are_inverses() -> None:
    phi, reference = np.array([0.0, 0.2, 0.55, 0.9]), np.array([[0.3], [1.0]])
    lengths = np.full((2, 4), 3e5)
    limits = limit_for_run_length(lengths, reference, phi)
    np.testing.assert_allclose(approximate_arl(limits, reference, 0.0, phi), lengths, rtol=1e-9)


def test_more_correlation_or_a_smaller_budget_needs_a_higher_limit() -> None:
    by_phi = limit_for_budget(0.1, 525_960.0, 0.5, np.linspace(0.0, 0.95, 20))
    by_budget = limit_for_budget(np.array([10.0, 1.0, 0.1, 0.01]), 525_960.0, 0.5)
    assert (np.diff(by_phi) > 0).all()
    assert (np.diff(by_budget) > 0).all()


def test_a_generous_budget_needs_no_limit_at_all() -> None:
    assert float(limit_for_budget(1e6, 525_960.0, 1.0)) == 0.0
    assert cusum_limit(1.2, 0.5) == 0.0


def test_negative_correlation_counts_as_none() -> None:
    assert float(long_run_variance(-0.4)) == 1.0
    assert float(limit_for_run_length(1e4, 0.5, -0.4)) == float(limit_for_run_length(1e4, 0.5))


def test_equivalent_correlation_has_the_same_long_run_variance() -> None:
    assert float(long_run_variance(equivalent_phi(10.0))) == pytest.approx(10.0)


def test_no_drift_is_the_smooth_limit_of_the_formula() -> None:
    at = float(approximate_arl(5.0, 0.5, 0.5))
    near = float(approximate_arl(5.0, 0.5, 0.5 + 1e-3))
    assert at == pytest.approx(near, rel=0.01)


def test_approximate_run_length_beyond_the_numbers_is_infinite_without_noise() -> None:
    assert float(approximate_arl(1e6, 1.0)) == np.inf


def test_a_later_start_shortens_the_run() -> None:
    assert cusum_arl(5.0, 0.5, head_start=2.5) < cusum_arl(5.0, 0.5)
    assert ewma_arl(0.1, 2.8, start=0.5) < ewma_arl(0.1, 2.8)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cusum_arl(0.0, 0.5),
        lambda: cusum_arl(4.0, 0.5, head_start=5.0),
        lambda: ewma_arl(0.0, 3.0),
        lambda: ewma_arl(1.5, 3.0),
        lambda: cusum_limit(1.0, 0.5),
        lambda: limit_for_budget(0.0, 525_960.0, 0.5),
        lambda: limit_for_run_length(1e4, 0.0),
        lambda: long_run_variance(1.0),
    ],
)
def test_impossible_requests_are_refused_in_words(call: object) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=r"\w+ .* \w+"):
        call()
