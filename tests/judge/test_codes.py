"""Codes among others."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from hissmark.judge.codes import among
from hissmark.judge.verdicts import Reason

CODES = st.lists(st.integers(0, 255), max_size=20)


@given(CODES, st.lists(st.sampled_from([*Reason, 255]), min_size=1, max_size=5))
def test_says_what_numpy_says(codes: list[int], members: list[int]) -> None:
    """Reference: `numpy.isin`."""
    array = np.array(codes, np.uint8)
    found = among(array, members)
    assert found.dtype == bool
    np.testing.assert_array_equal(found, np.isin(array, members))
