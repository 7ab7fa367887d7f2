"""The price of a coincidence: a leak that seems to begin just when the operating condition changes."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from hissmark.judge.explain import Fit
from hissmark.judge.group import PRICE_COINCIDENCE, coinciding

RNG = np.random.default_rng(8)


def scores(rows: int, places: int) -> Fit:
    """Some scores; what they are does not matter."""
    shapes = {
        "known": (rows, places), "passing": (rows, places), "second": (rows, places),
        "source_field": (rows, places, places), "outside_field": (rows, places),
        "second_level": (rows, places),
    }  # fmt: skip
    return Fit(**{f.name: RNG.normal(size=shapes.get(f.name, (rows,))) for f in fields(Fit)})


def test_what_begins_is_dearer_only_where_the_condition_has_changed() -> None:
    found, standing = scores(2, 3), np.zeros((2, 3), bool)
    dearer = coinciding(found, np.array([False, True]), standing)
    for name in ("passing", "second"):
        before, after = getattr(found, name), getattr(dearer, name)
        np.testing.assert_array_equal(after[0], before[0])
        np.testing.assert_allclose(after[1], before[1] - PRICE_COINCIDENCE)


def test_what_already_passes_and_what_blames_nobody_costs_the_same() -> None:
    found = scores(1, 3)
    standing = np.array([[False, True, False]])
    dearer = coinciding(found, np.array([True]), standing)
    assert dearer.passing[0, 1] == found.passing[0, 1]
    assert dearer.second[0, 1] == found.second[0, 1]
    assert (dearer.passing[0, [0, 2]] < found.passing[0, [0, 2]]).all()
    for f in fields(Fit):
        if f.name not in ("passing", "second"):
            np.testing.assert_array_equal(getattr(dearer, f.name), getattr(found, f.name), err_msg=f.name)


def test_the_price_is_that_of_one_chance_in_a_few_hundred() -> None:
    """Natural log: e^6 is 403 (common practice, no source)."""
    assert 200 < np.exp(PRICE_COINCIDENCE) < 500
