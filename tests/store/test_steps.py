"""Levels as steps of their last decimal: exact for anything, small for what sensors send."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.store.steps import Steps, levels_of, steps_of

ODD = [np.nan, np.inf, -np.inf, 0.0, -0.0, 1e-40, 3e38, -3e38, 49_999.99, -50_001.0]
levels = st.one_of(
    st.floats(width=32),
    st.integers(-20_000, 20_000).map(lambda n: np.float32(n / 100)),
    st.sampled_from(ODD),
)


@given(rows=st.integers(0, 5), ticks=st.integers(0, 7), data=st.data())
def test_any_bits_come_back(rows, ticks, data):
    """Numbers, infinities, both zeros, every kind of NaN: what comes out is what went in, bit for bit."""
    drawn = data.draw(st.lists(levels, min_size=rows * ticks, max_size=rows * ticks))
    bits = np.array(drawn, np.float32).view(np.uint32)
    if len(bits) and data.draw(st.booleans()):
        bits[0] = 0x7FC00001  # a NaN that is not the usual one
    given_ = bits.view(np.float32).reshape(rows, ticks)
    assert levels_of(steps_of(given_)).tobytes() == given_.tobytes()


@pytest.mark.parametrize("decimals", [1, 2, 3])
def test_levels_of_few_decimals_are_steps(decimals):
    """All of them, in the step of their last decimal; float32 arithmetic may leave them a unit beside."""
    rng = np.random.default_rng(decimals)
    exact = np.round(rng.normal(30, 0.3, (10, 60)), decimals)
    beside = np.nextafter(exact.astype(np.float32), np.where(rng.random((10, 60)) < 0.2, 99, exact))
    found = steps_of(beside.astype(np.float32))
    assert (found.digits, found.fitting.all(), len(found.plain)) == (decimals, True, 0)
    np.testing.assert_array_equal(found.first[:, 0], np.rint(exact[:, 0] * 10**decimals))
    assert size_of(found) < 0.8 * exact.astype(np.float32).nbytes


def test_silence_does_not_look_like_a_change():
    """A sensor that is not heard for a while: nothing changes meanwhile."""
    row = np.array([[30.1, np.nan, np.nan, 30.2, np.nan]], np.float32)
    found = steps_of(row)
    assert found.changes.tolist() == [[0, 0, 2, 0]]  # 2: one step up


def test_a_sensor_of_many_digits_leaves_its_neighbours_small():
    """Its row stays as it is, the others are steps."""
    rng = np.random.default_rng(4)
    rows = np.round(rng.normal(30, 0.3, (4, 60)), 2).astype(np.float32)
    rows[2] = rng.normal(30, 0.3, 60)
    found = steps_of(rows)
    assert found.fitting.tolist() == [True, True, False, True]
    assert found.plain.tobytes() == rows[2].tobytes()


def size_of(steps: Steps) -> int:
    return steps.first.nbytes + steps.changes.nbytes + steps.units.nbytes
