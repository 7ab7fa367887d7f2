"""One source, or every channel a sound of its own? Levels: common practice, no source."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import gamma

from hissmark.judge.heard import level_of, power_of
from hissmark.judge.own_sound import (
    FEWEST,
    MEASURED_DB,
    MOST_AGAINST,
    MOST_FOR,
    USUAL_A_DAY,
    Moved,
    Own,
    novelty,
    one_source_ratio,
    unrest,
)

MINUTE_US = 60_000_000
MOMENTS = 10
BACKGROUND_DB = 30.0
UNREST_DB = 1.2
RISE_DB = np.array([3.5, 8.0, 5.0, 0.2])

F64 = npt.NDArray[np.float64]


def told(level: F64, usual_db: float = UNREST_DB) -> Own:
    """What one group's levels (float64[P, moments], a minute apart) say."""
    age = np.broadcast_to(np.arange(level.shape[1]) * MINUTE_US, level.shape)[None]
    spread = np.full((1, len(level)), 2.4 * usual_db)
    apart = unrest(age, level[None], np.ones_like(age, bool), np.array([MINUTE_US]), spread)
    return Own(np.zeros(1), apart, np.full((1, len(level)), usual_db**2))


def ratios(own: Own, rise: F64 = RISE_DB) -> F64:
    return one_source_ratio(own, rise[None], np.ones((1, len(rise)), bool))[0]


def background(rng: np.random.Generator, places: int = 4) -> F64:
    """Every place is unsteady by itself."""
    return BACKGROUND_DB + rng.normal(0.0, UNREST_DB, (places, MOMENTS))


def one_source(rng: np.random.Generator) -> F64:
    """A steady source over these backgrounds; it swings by half a decibel, everywhere at once."""
    arriving = level_of(power_of(BACKGROUND_DB + RISE_DB) - power_of(np.array(BACKGROUND_DB)))
    swing = rng.normal(0.0, 0.5, MOMENTS)
    return level_of(power_of(background(rng)) + power_of(arriving[:, None] + swing))


def own_sounds(rng: np.random.Generator) -> F64:
    """The same rises, but each place makes its own noise, as unsteady as it always was."""
    return background(rng) + RISE_DB[:, None]


def drawn(sound: object, count: int = 200) -> F64:
    """The ratio at the loudest place, many times over."""
    rng = np.random.default_rng(5)
    assert callable(sound)
    return np.array([ratios(told(sound(rng)))[1] for _ in range(count)])


def test_unrest_is_the_variance_of_the_difference() -> None:
    """Against numpy, from moments in any order, twice as often as they are compared and with some missing."""
    level = background(np.random.default_rng(1))
    level[2, :3] = np.nan
    own = told(level, usual_db=10.0).apart[0]
    assert own[0, 1] == pytest.approx(np.var(level[0] - level[1], ddof=1))
    assert own[1, 2] == pytest.approx(np.var((level[1] - level[2])[3:], ddof=1))
    assert own[3, 3] == pytest.approx(np.var(level[3], ddof=1))
    order = np.random.default_rng(2).permutation(MOMENTS)
    age = np.broadcast_to(order * MINUTE_US, level.shape)[None]
    usual, every = np.full((1, 4), 24.0), np.ones_like(age, bool)
    shuffled = unrest(age, level[:, order][None], every, np.array([MINUTE_US]), usual)
    np.testing.assert_array_equal(
        shuffled[0], own
    )  # to the last bit: a replay holds its rings in another order
    older = age + MINUTE_US // 2
    twice = unrest(
        np.concatenate((age, older), 2), np.concatenate((level[:, order], level[:, order] + 7.0), 1)[None],
        np.concatenate((every, every), 2), np.array([MINUTE_US]), usual,
    )  # fmt: skip
    np.testing.assert_array_equal(twice[0], own)


def test_a_knock_is_no_unrest() -> None:
    level = background(np.random.default_rng(1))
    knocked = level.copy()
    knocked[1, 4] += 30.0
    assert told(knocked).apart[0, 1, 1] < 4.0 * told(level).apart[0, 1, 1] + 2.0


def test_too_few_moments_say_nothing() -> None:
    level = background(np.random.default_rng(1))
    level[1, FEWEST - 1 :] = np.nan
    own = told(level)
    assert np.isnan(own.apart[0, 1]).all()
    assert ratios(own)[1] == 0.0


def test_what_rises_and_falls_together_speaks_for_one_source_what_does_not_against_it() -> None:
    together, apart = drawn(one_source), drawn(own_sounds)
    assert np.median(together) > 1.0
    assert np.median(apart) < -1.0
    assert (together > 0).mean() > 0.9
    assert (apart < 0).mean() > 0.9
    for found in (together, apart):
        assert -MOST_AGAINST <= found.min() <= found.max() <= MOST_FOR


def test_nobody_else_hears_it_then_its_steadiness_speaks() -> None:
    rng = np.random.default_rng(3)
    alone, rise = background(rng, 2), np.array([9.0, 0.0])
    restless, steady = alone + rise[:, None], alone.copy()
    steady[0] = level_of(power_of(alone[0]) + power_of(np.array(BACKGROUND_DB + 8.4)))
    assert ratios(told(steady), rise)[0] > 0.5
    assert ratios(told(restless), rise)[0] < -0.5


def test_sensors_that_are_always_steady_say_nothing() -> None:
    """What is no more than two measurements of one level differ by cannot be told from it."""
    rng = np.random.default_rng(4)
    level = BACKGROUND_DB + RISE_DB[:, None] + rng.normal(0.0, 0.1 * MEASURED_DB, (4, MOMENTS))
    assert np.abs(ratios(told(level, usual_db=0.1 * MEASURED_DB))).max() < 0.1


@pytest.mark.parametrize(("times", "days"), [(0, 2.0), (0, 40.0), (1, 10.0), (3, 60.0), (0, 200.0)])
def test_novelty_is_the_posterior_mean_under_jeffreys_prior(times: int, days: float) -> None:
    """Jeffreys' prior of a Poisson rate is Gamma(1/2, 0), the posterior Gamma(n + 1/2, T) (Box and Tiao 1973,
    1.3, from memory); its mean by scipy."""
    mean = gamma(times + 0.5, scale=1.0 / days).mean()
    assert novelty(np.array([times]), np.array([days]))[0] == pytest.approx(np.log(mean / USUAL_A_DAY))


def test_a_young_group_may_have_conditions_not_heard_yet_an_old_one_hardly() -> None:
    found = novelty(np.array([0, 0, 2, 0]), np.array([3.0, 30.0, 30.0, 3650.0]))
    assert found[0] > found[1] > found[3]
    assert found[2] > found[1]


def test_groups_in_which_nothing_moved_have_nothing_to_say() -> None:
    own = told(background(np.random.default_rng(1)))
    moved = Moved(np.array([-1, 0, -1]), np.array([2.0]), own.apart, own.usual)
    rows = moved.of(np.array([0, 1, 1]))
    assert rows.novelty.tolist() == [0.0, 2.0, 2.0]
    assert np.isnan(rows.apart[0]).all()
    np.testing.assert_array_equal(rows.apart[2], own.apart[0])
