"""Two sources at once, and what time and doubles say of them.

The reference for which two places add up to what is heard is `scipy.optimize.nnls` with the true losses;
levels and losses: common practice, no source."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import nnls

from hissmark.engine.settings import JudgeSettings
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.evidence import likelihood_ratio
from hissmark.judge.explain import PRICE_AT_ONCE, PRICE_SECOND, Fit, fit
from hissmark.judge.geometry import Geometry
from hissmark.judge.heard import Heard
from support.rig import row_of_valves

QUIET_DB = 30.0
STEP_DB = 6.0
PLACES = 7

F64 = npt.NDArray[np.float64]


def transmission(step_db: float = STEP_DB) -> F64:
    """Share of a source's power that reaches each place, [place, source]."""
    place = np.arange(PLACES)
    return np.asarray(10 ** (-0.1 * step_db * np.abs(place[:, None] - place[None, :])))


def sound_of(sources: dict[int, float]) -> F64:
    power = np.zeros(PLACES)
    for place, level in sources.items():
        power[place] = 10 ** (0.1 * level)
    return np.asarray(10 * np.log10(transmission() @ power + 10 ** (0.1 * QUIET_DB)))


def judged(level: F64, standing: list[int] | None = None) -> Fit:
    settings = JudgeSettings()
    geometry = Geometry.of({"header": tuple(row_of_valves(PLACES))}, settings)
    acoustics, here = Acoustics(geometry, settings.coupling_db), np.array([0])
    all_, none = np.ones((1, PLACES), bool), np.zeros((1, PLACES), bool)
    stands = none.copy()
    stands[0, standing or []] = True
    heard = Heard(
        level[None], np.full((1, PLACES), QUIET_DB), np.full((1, PLACES), 0.7), all_, all_, none, none,
        *acoustics.of(here), np.full((1, PLACES, PLACES), np.inf), stands, none, acoustics.unknown(here),
    )  # fmt: skip
    return fit(heard)


def best_pair(found: Fit) -> set[int]:
    second = int(found.second[0].argmax())
    return {second, int(found.first[0, second])}


@pytest.mark.parametrize("places", [(1, 5), (0, 4), (2, 6), (0, 6), (2, 4)])
def test_two_leaks_are_told_though_a_valve_between_them_may_fit_best_alone(places: tuple[int, int]) -> None:
    level = sound_of({places[0]: 60.0, places[1]: 60.0})
    power = 10 ** (0.1 * level) - 10 ** (0.1 * QUIET_DB)
    assert set(np.flatnonzero(nnls(transmission(), power)[0] > 1.0).tolist()) == set(places), "the reference"
    found = judged(level)
    assert best_pair(found) == set(places)
    # they fit better than one; whether that is believed, the price of a coincidence decides
    assert found.second.max() + PRICE_SECOND + PRICE_AT_ONCE > found.passing.max()


@pytest.mark.parametrize("quieter", [50.0, 55.0])
def test_a_second_quieter_leak_fits_better_than_spill_of_the_first(quieter: float) -> None:
    found = judged(sound_of({1: 60.0, 5: quieter}), standing=[1])
    assert best_pair(found) == {1, 5}
    assert found.second[0, 5] + PRICE_SECOND > found.passing[0, 1] + 3.0


def test_spill_of_the_second_source_is_as_uncertain_as_that_of_the_first() -> None:
    """A neighbour that hears 5 dB more of the second source than the register lets expect is 1.3 standard
    deviations off, and not seven as if the loss were known."""
    plain = sound_of({1: 60.0, 5: 55.0})
    louder = plain.copy()
    louder[6] = 54.0  # 49 expected
    known = judged(plain, standing=[1]).second[0, 5]
    assert judged(louder, standing=[1]).second[0, 5] > known - 5.0


def test_noise_from_outside_that_fits_badly_does_not_fit_well_beside_a_leak() -> None:
    """Where noise from outside alone explains nothing of a quiet middle, adding a leak cannot mend that."""
    level = sound_of({0: 60.0, 5: 50.0})
    level[[2, 3]] = QUIET_DB + 1.0
    found = judged(level, standing=[0])
    noise = found.second[0, (found.first[0] < 0)]
    assert found.second[0, 5] > -1e5
    assert not len(noise) or noise.max() < found.second[0, 5]


def test_noise_from_outside_does_not_go_round_the_middle() -> None:
    """Loud at both ends and quiet between: noise carried along by the pipe would be heard there too, at least
    as if each channel that hears 10 dB too little had Huber's price (knee 5, sensors 2 dB apart)."""
    level = sound_of({0: 60.0, 6: 60.0})
    level[[2, 3, 4]] = QUIET_DB + 8.0
    found = judged(level, standing=[0])
    assert found.second[0, 6] > found.outside[0] + 3.0


def test_the_same_two_sources_in_the_other_order_are_no_rival() -> None:
    found = judged(sound_of({1: 60.0, 5: 60.0}), standing=[1, 5])
    assert likelihood_ratio(found)[0, [1, 5]].min() > 2.0


def test_time_speaks_against_what_comes_and_goes_but_not_between_two_valves() -> None:
    """Both valves would go on leaking: lasting says nothing of which of them it is."""
    patience = np.full((1, PLACES), 3.0)
    rivals = sound_of({3: 50.0})
    rivals[4] = rivals[3]
    found = judged(rivals)
    plain, after = likelihood_ratio(found), likelihood_ratio(found, patience)
    np.testing.assert_allclose(after[0, [3, 4]], plain[0, [3, 4]])
    small = np.full(PLACES, QUIET_DB)
    small[3] += 4.0  # one channel alone, not loud: no other valve explains it, but much else may
    found = judged(small)
    np.testing.assert_allclose(likelihood_ratio(found, patience)[0, 3], likelihood_ratio(found)[0, 3] + 3.0)
