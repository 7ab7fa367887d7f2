"""Losses and couplings: what backgrounds and open valves teach. Levels and losses: common practice, no
source."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.engine.settings import JudgeSettings
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.geometry import Geometry
from support.rig import row_of_valves

SETTINGS = JudgeSettings()


def acoustics(count: int = 4) -> Acoustics:
    return Acoustics(Geometry.of({"header": tuple(row_of_valves(count))}, SETTINGS), SETTINGS.coupling_db)


def heard(values: list[float]) -> np.ndarray:
    return np.array(values, np.float64)


def test_alike_backgrounds_but_for_one_tell_how_that_sensor_couples() -> None:
    told = acoustics()
    told.hear_background(0, heard([30.0, 30.0, 26.0, 30.0]))
    assert told.coupling_db[0, 2] < told.coupling_db[0, [0, 1, 3]].min() - 1.0
    assert (told.coupling_sd_db[0] < SETTINGS.coupling_db).all()


def test_backgrounds_that_differ_altogether_tell_little_of_the_coupling() -> None:
    alike, apart = acoustics(), acoustics()
    alike.hear_background(0, heard([30.0, 30.0, 26.0, 30.0]))
    apart.hear_background(0, heard([30.0, 50.0, 26.0, 45.0]))
    for k in range(3):
        share = [np.diff(a.coupling_db[0])[k] / d for a, d in ((alike, 4.0), (apart, 20.0))]
        assert abs(share[1]) < 0.2
    assert np.abs(np.diff(apart.coupling_db[0])).max() < SETTINGS.coupling_db


def test_backgrounds_by_least_squares() -> None:
    """Two channels: the update is that of two Gaussian measurements, prior 2 dB each, by hand."""
    told = acoustics(2)
    told.hear_background(0, heard([30.0, 34.0]))
    prior = 2 * SETTINGS.coupling_db**2
    total = (4.0**2 + 3.0 * (5.0**2 + prior)) / 4.0
    share = prior / (prior + total - prior)
    assert np.diff(told.coupling_db[0]) == pytest.approx(4.0 * share, rel=1e-6)


def test_a_response_that_cannot_be_is_not_learned_from() -> None:
    told = acoustics()
    before = told.mean.copy()
    everyone, none = np.ones(4, bool), np.zeros(4, bool)
    told.measure(0, 0, heard([60.0, 110.0, 110.0, 110.0]), everyone, none)
    np.testing.assert_allclose(told.mean, before)


def test_a_neighbour_that_hears_nothing_of_an_open_valve_tells_of_a_larger_loss() -> None:
    told = acoustics()
    before = told.loss_db[0, 0, 1]
    use, silent = np.array([1, 0, 0, 0], bool), np.array([0, 1, 1, 1], bool)
    told.measure(0, 0, heard([60.0, 45.0, 45.0, 45.0]), use, ~use, silent)
    assert told.loss_db[0, 0, 1] > before + 3.0


def test_silence_where_silence_was_expected_teaches_nothing() -> None:
    told = acoustics()
    before = told.mean.copy()
    use, silent = np.array([1, 0, 0, 0], bool), np.array([0, 1, 1, 1], bool)
    told.measure(0, 0, heard([60.0, 59.0, 59.0, 59.0]), use, ~use, silent)
    np.testing.assert_allclose(told.mean, before)
