"""Exceedance levels at the edges: empty rows, silence, types, and what the mask hides."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from hissmark.signal.percentiles import exceedance_level, masked_level, row_level, sort_rows, window_levels


@pytest.fixture(autouse=True)
def warnings_are_errors() -> object:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def test_rows_without_data_are_unknown() -> None:
    levels = window_levels(np.full((2, 3), np.nan, np.float32), np.array([[True] * 3, [False] * 3]))
    assert all(np.isnan(level).all() for level in levels)
    assert all(level.shape == (0,) for level in window_levels(np.empty((0, 5), np.float32)))
    assert np.isnan(window_levels(np.empty((2, 0), np.float32)).l50).all()


def test_what_the_mask_hides_does_not_matter() -> None:
    values = np.array([[1.0, 2.0, 3.0, 99.0], [1.0, 2.0, 3.0, np.nan]], np.float32)
    valid = np.array([[True, True, True, False]] * 2)
    for level in window_levels(values, valid):
        assert level[0] == level[1]
    assert window_levels(values, valid).l50[0] == 2.0


def test_marked_nan_is_still_no_data() -> None:
    assert masked_level(np.array([[np.nan, 5.0]]), np.ones((1, 2), bool), 50.0).tolist() == [5.0]


def test_input_is_left_alone() -> None:
    values = np.array([[3.0, 1.0, 2.0]])
    window_levels(values)
    assert values.tolist() == [[3.0, 1.0, 2.0]]


def test_one_level_is_all_its_percentiles() -> None:
    levels = window_levels(np.array([[7.5, np.nan]]))
    assert [float(level[0]) for level in levels] == [7.5, 7.5, 7.5]


def test_silence_has_percentiles_too() -> None:
    assert exceedance_level([-np.inf, -np.inf, 40.0], 90.0) == -np.inf


def test_precision_and_shape_are_kept() -> None:
    values = np.arange(24, dtype=np.float32).reshape(2, 3, 4)
    floor = exceedance_level(values, 90.0, axis=1)
    assert floor.dtype == np.float32
    np.testing.assert_allclose(floor, np.percentile(values, 10, axis=1), rtol=1e-6)
    assert exceedance_level(values, 50.0, axis=0).shape == (3, 4)


@pytest.mark.parametrize("percent", [-1.0, 100.1, float("nan")])
def test_impossible_percentages_are_refused(percent: float) -> None:
    with pytest.raises(ValueError, match="percentage"):
        exceedance_level([1.0, 2.0], percent)


@given(arrays(np.float64, (4, 9), elements=st.floats(0.0, 120.0)), arrays(np.bool_, (4, 9)))
def test_floor_middle_and_top_are_in_order_and_within_the_data(values: np.ndarray, valid: np.ndarray) -> None:
    l90, l50, l10 = window_levels(values, valid)
    for row in np.flatnonzero(valid.any(axis=1)):
        data = values[row, valid[row]]
        ordered = np.array([data.min(), l90[row], l50[row], l10[row], data.max()])
        assert (np.diff(ordered) >= -1e-9).all()


@given(arrays(np.float32, (3, 8), elements=st.floats(0.0, 120.0, width=32)), st.permutations(range(8)))
def test_order_within_the_window_does_not_matter(values: np.ndarray, order: list[int]) -> None:
    for one, other in zip(window_levels(values), window_levels(values[:, order]), strict=True):
        assert one.tolist() == other.tolist()


def test_sorted_once_gives_every_percentile() -> None:
    values = np.random.default_rng(1).normal(size=(20, 33))
    rows = sort_rows(values)
    for percent in (0.0, 12.5, 50.0, 100.0):
        expected = np.percentile(values, 100.0 - percent, axis=1)
        np.testing.assert_allclose(row_level(rows, percent), expected, atol=1e-12)


@given(
    arrays(np.float32, (5, 7), elements=st.floats(-200, 200, width=32)), st.integers(0, 7), st.floats(0, 100)
)
def test_a_row_gives_the_same_alone_and_beside_others(values: np.ndarray, count: int, percent: float) -> None:
    """Rows that hold equally many are read by columns, others each at its place: to the last bit the same."""
    counts = np.array([0, 7, count, 3, 5])
    mixed = row_level(sort_rows(values, np.arange(7) < counts[:, None]), percent)
    for i, n in enumerate(counts):
        alone = row_level(sort_rows(values[[i, i]], np.arange(7) < np.array([[n], [n]])), percent)
        np.testing.assert_array_equal(alone, mixed[[i, i]])
