"""Robust statistics of rows: masks, empty and constant rows, resistance to outliers."""

import warnings

import numpy as np
import pytest

from hissmark.baseline.robust import (
    hampel_outliers,
    row_huber,
    row_huber_proposal_2,
    row_iqr_scale,
    row_mad,
    row_median,
    row_qn,
)


@pytest.fixture(autouse=True)
def warnings_are_errors() -> object:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def ragged() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(6)
    values = rng.normal(30.0, 1.5, (30, 40))
    return values, rng.random((30, 40)) < 0.7


@pytest.mark.parametrize(
    "statistic",
    [
        row_median, row_iqr_scale, row_qn,
        lambda v, m=None: row_mad(v, m).scale,
        lambda v, m=None: row_huber(v, m).location,
        lambda v, m=None: row_huber_proposal_2(v, m).location,
        lambda v, m=None: row_huber_proposal_2(v, m).scale,
    ],
)  # fmt: skip
def test_a_mask_and_nan_and_a_shorter_row_are_the_same(statistic: object) -> None:
    assert callable(statistic)
    values, valid = ragged()
    masked = statistic(values, valid)
    np.testing.assert_array_equal(masked, statistic(np.where(valid, values, np.nan)))
    alone = [float(statistic(row[keep][None, :])[0]) for row, keep in zip(values, valid, strict=True)]
    np.testing.assert_allclose(masked, alone, rtol=1e-9)


def test_rows_without_data_are_unknown() -> None:
    empty = np.full((2, 4), np.nan, np.float32)
    assert np.isnan(row_median(empty)).all()
    assert np.isnan(row_qn(empty)).all()
    for located in (row_mad(empty), row_huber(empty), row_huber_proposal_2(empty)):
        assert np.isnan(located.location).all()
        assert np.isnan(located.scale).all()
    assert not hampel_outliers(empty).any()


def test_constant_rows_have_no_spread() -> None:
    same = np.full((1, 6), 21.0)
    assert row_mad(same) == (21.0, 0.0)
    assert row_huber(same).location[0] == 21.0
    assert row_huber_proposal_2(same) == (21.0, 0.0)
    assert row_qn(same)[0] == 0.0


def test_a_third_of_wild_values_hardly_moves_the_robust_location() -> None:
    values = np.random.default_rng(3).normal(25.0, 1.0, (50, 60))
    wild = values.copy()
    wild[:, :20] = 90.0
    for locate in (row_mad, row_huber):
        assert np.abs(locate(wild).location - locate(values).location).max() < 3.0
    assert np.abs(wild.mean(axis=1) - values.mean(axis=1)).min() > 20.0
    assert row_qn(wild).max() < 10.0


def test_smallest_scale_keeps_still_channels_from_flagging_steps_of_nothing() -> None:
    still = np.array([[30.0, 30.0, 30.0, 30.0, 30.1]])
    assert hampel_outliers(still).tolist() == [[False] * 4 + [True]]
    assert not hampel_outliers(still, min_scale=0.5).any()


def test_hidden_values_are_never_outliers() -> None:
    values, valid = np.array([[1.0, 1.1, 0.9, 50.0]]), np.array([[True, True, True, False]])
    assert not hampel_outliers(values, valid).any()


def test_precision_is_kept() -> None:
    values = np.random.default_rng(0).normal(size=(3, 9)).astype(np.float32)
    kept = [row_median(values), row_qn(values), row_iqr_scale(values)]
    kept += [*row_mad(values), *row_huber(values), *row_huber_proposal_2(values)]
    assert {array.dtype for array in kept} == {np.dtype(np.float32)}


def test_many_rows_in_chunks_equal_one_row_at_a_time() -> None:
    values = np.random.default_rng(2).normal(size=(600, 64))
    alone = np.array([row_qn(row[None, :])[0] for row in values])
    np.testing.assert_array_equal(row_qn(values), alone)
