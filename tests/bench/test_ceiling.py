"""The upper bound for naming sources is Bayes' rule, checked where the answer is known in closed form."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parent))

from ceiling import Told, most_named, posterior

BOTH = np.array([0, 1])
NOBODY = np.array([False, False])


def two_valves(loss_db: float) -> np.ndarray:
    return np.array([[[0.0, loss_db], [loss_db, 0.0]]])


@pytest.mark.parametrize("louder_db", [0.0, 1.0, 4.0, 9.0])
def test_two_valves_by_the_logistic_of_their_difference(louder_db: float) -> None:
    """Equal normal errors of sd s, means apart by +L and -L: log-odds are L d / s² (Fisher's linear
    discriminant, from memory)."""
    loss_db, sd = 6.0, 2.0
    chance = posterior(np.array([40.0, 40.0 - louder_db]), NOBODY, two_valves(loss_db), BOTH, sd)
    odds = loss_db * louder_db / sd**2
    assert chance == pytest.approx([1 / (1 + np.exp(-odds)), 1 / (1 + np.exp(odds))], abs=0.01)


def test_what_is_hidden_speaks_by_what_it_would_have_been() -> None:
    """A second valve that hears at most 10 dB less: the first is the source, unless by a normal tail."""
    hidden = np.array([False, True])
    chance = posterior(np.array([40.0, 30.0]), hidden, two_valves(6.0), BOTH, 2.0)
    assert chance[0] > 1.0 - norm.sf(10.0 / np.hypot(2.0, 2.0))


def test_losses_not_known_leave_more_doubt() -> None:
    heard = np.array([40.0, 36.0])
    sure = posterior(heard, NOBODY, two_valves(9.0), BOTH, 2.0)[0]
    loss = np.linspace(2.0, 16.0, 50)
    spread = np.concatenate([two_valves(float(each)) for each in loss])
    assert 0.5 < posterior(heard, NOBODY, spread, BOTH, 2.0)[0] < sure


def test_naming_stops_where_too_many_would_be_wrong() -> None:
    told = [Told(1.0, True)] * 8 + [Told(0.9, True), Told(0.6, False)]
    assert most_named(told, 0.01) == pytest.approx(0.8)
    assert most_named(told, 0.012) == pytest.approx(0.9)
