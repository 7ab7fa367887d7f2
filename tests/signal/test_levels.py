"""Level arithmetic at the edges: missing data, silence, types, shapes, reversibility."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.signal.levels import (
    LIMIT_CORRECTION_DB,
    add_levels,
    background_correction_db,
    leak_only,
    level_of_power,
    level_of_voltage,
    mean_level,
    power_of_level,
)

decibels = st.floats(-50.0, 150.0)


@pytest.fixture(autouse=True)
def warnings_are_errors() -> object:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def test_missing_levels_count_as_silence_in_a_sum() -> None:
    assert add_levels([[60.0, np.nan], [np.nan, 60.0], [60.0, -np.inf]]).tolist() == pytest.approx([60.0] * 3)


def test_nothing_known_stays_unknown_and_silence_stays_silent() -> None:
    total = add_levels([[np.nan, np.nan], [-np.inf, np.nan], [-np.inf, -np.inf]])
    assert np.isnan(total[0])
    assert total[1:].tolist() == [-np.inf, -np.inf]
    assert np.isnan(add_levels(np.empty((3, 0)))).all()


def test_missing_levels_are_left_out_of_a_mean_but_silence_is_not() -> None:
    means = mean_level([[60.0, np.nan], [60.0, -np.inf], [np.nan, np.nan]])
    assert means[:2].tolist() == pytest.approx([60.0, 60.0 - 3.0103], abs=1e-4)
    assert np.isnan(means[2])


def test_axis_is_the_one_reduced() -> None:
    levels = np.arange(24.0).reshape(2, 3, 4)
    assert add_levels(levels, axis=1).shape == (2, 4)
    assert add_levels(levels, axis=0)[1, 2] == pytest.approx(float(add_levels(levels[:, 1, 2])))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_precision_in_is_precision_out(dtype: type[np.floating]) -> None:
    levels = np.array([40.0, 43.0], dtype)
    leak, _ = leak_only(levels, levels - dtype(5))
    results = [add_levels(levels), mean_level(levels), leak, background_correction_db(levels)]
    results += [power_of_level(levels), level_of_power(levels), level_of_voltage(levels, 1.0)]
    assert {result.dtype for result in results} == {np.dtype(dtype)}
    assert add_levels([40, 43]).dtype == np.float64


def test_levels_beyond_the_powers_of_float32_still_add() -> None:
    assert float(add_levels(np.float32([3000.0, 3000.0]))) == pytest.approx(3003.01, abs=1e-2)
    assert float(add_levels(np.float32([-3000.0, -3000.0]))) == pytest.approx(-2996.99, abs=1e-2)


def test_leak_at_or_below_the_baseline_adds_no_power() -> None:
    leak, resolvable = leak_only([40.0, 35.0, -np.inf], [40.0, 40.0, -np.inf])
    assert leak.tolist() == [-np.inf] * 3
    assert not resolvable.any()
    assert power_of_level(leak).tolist() == [0.0] * 3


def test_leak_without_level_or_baseline_is_unknown() -> None:
    leak, resolvable = leak_only([np.nan, 40.0], [30.0, np.nan])
    assert np.isnan(leak).all()
    assert not resolvable.any()


def test_leak_over_a_silent_baseline_is_the_level_itself() -> None:
    leak, resolvable = leak_only(40.0, -np.inf)
    assert float(leak) == 40.0
    assert resolvable


def test_the_limit_joins_the_difference_without_a_step() -> None:
    level = 40.0 + 3.0 + np.array([-1e-9, 0.0, 1e-9])
    leak, resolvable = leak_only(level, 40.0)
    assert leak == pytest.approx(level - LIMIT_CORRECTION_DB, abs=1e-6)
    assert resolvable.tolist() == [False, True, True]


@given(decibels, st.floats(3.1, 80.0))
def test_taking_the_background_off_and_adding_it_again(baseline: float, difference: float) -> None:
    level = baseline + difference
    leak, resolvable = leak_only(level, baseline)
    assert resolvable
    assert float(add_levels([float(leak), baseline])) == pytest.approx(level, abs=1e-9)


@given(st.lists(decibels, min_size=1, max_size=8))
def test_a_sum_lies_between_the_loudest_and_n_times_the_loudest(levels: list[float]) -> None:
    total = float(add_levels(levels))
    assert max(levels) - 1e-9 <= total <= max(levels) + 10 * np.log10(len(levels)) + 1e-9


def test_voltage_edges() -> None:
    assert level_of_voltage([0.0, np.nan], 1e-6)[0] == -np.inf
    assert np.isnan(level_of_voltage([-1.0, np.nan], 1e-6)).all()


@pytest.mark.parametrize("reference", [0.0, -1.0, float("nan"), float("inf")])
def test_a_useless_reference_voltage_is_refused(reference: float) -> None:
    with pytest.raises(ValueError, match="reference voltage"):
        level_of_voltage(1.0, reference)
