"""An even grid against pandas and numpy; nothing reaches further than it may."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from hissmark.export.even import How
from hissmark.export.questions import Question, What, answer
from hissmark.store.archive.catalogue import DAY_US
from support.sealing import D0, NAMES, batch, days, everything, sealer, write

MINUTE_US = 60_000_000
GAP_US = 20 * MINUTE_US


def grid(store, how, every_us=MINUTE_US, from_us=D0, to_us=D0 + DAY_US, names=NAMES):
    """{name: values} and {name: how}."""
    asked = Question(What.EVEN, names, from_us, to_us, every_us, how, GAP_US)
    table = pd.concat([b.to_pandas() for b in answer(store.reader(), asked).batches])
    values = {n: g["value"].to_numpy() for n, g in table.groupby("name", observed=True)}
    return values, dict(zip(table["name"], table["how"], strict=True))


@pytest.fixture
def plant(sqlite_store):
    """Half of it on file."""
    write(sqlite_store, days(2, 150))
    sealer(sqlite_store).seal_before(D0 + DAY_US)
    return sqlite_store


def samples(store, name):
    rows = [r for r in everything(store) if r[0] == name]
    return np.array([r[1] for r in rows]), np.array([r[2] for r in rows])


def test_last_value_as_pandas_has_it(plant):
    """pandas.merge_asof, backward, with the same tolerance; over many stretches of the grid."""
    at = np.arange(D0, D0 + 2 * DAY_US, 20_000_000)
    values, how = grid(plant, How.LAST, 20_000_000, to_us=D0 + 2 * DAY_US)
    assert set(how.values()) == {"last value"}
    for name in NAMES:
        times, value = samples(plant, name)
        left, right = pd.DataFrame({"t": at}), pd.DataFrame({"t": times, "v": value})
        expected = pd.merge_asof(left, right, on="t", tolerance=GAP_US)["v"]
        np.testing.assert_array_equal(values[name], expected)
    assert np.isnan(values["XV-101"]).any()


def test_interpolated_as_numpy_has_it(plant):
    at = np.arange(D0, D0 + DAY_US, MINUTE_US)
    values, how = grid(plant, How.INTERPOLATED)
    assert set(how.values()) == {"interpolated"}
    for name in NAMES:
        times, value = samples(plant, name)
        after = np.searchsorted(times, at)
        near = (after > 0) & (after < len(times))
        near[near] &= times[after[near]] - times[after[near] - 1] <= GAP_US
        expected = np.where(near, np.interp(at, times, value), np.nan)
        np.testing.assert_allclose(values[name], expected, rtol=1e-12)
    assert np.isnan(values["XV-101"]).any()


def test_mean_is_weighted_by_time(plant):
    """Against the signal drawn out second by second."""
    values, how = grid(plant, How.MEAN, 15 * MINUTE_US, to_us=D0 + DAY_US // 2)
    assert how == {
        "PT-1": "plain mean",
        "XV-101": "mean of energy",
        "XV-102": "mean of energy",
        "XV-103": "mean of energy",
    }
    for name in NAMES:
        times, value = samples(plant, name)
        seconds = np.arange(D0, D0 + DAY_US // 2, 100_000)
        last = np.searchsorted(times, seconds, side="right") - 1
        held = (last >= 0) & (seconds - times[np.maximum(last, 0)] < GAP_US)
        amount = value if name == "PT-1" else 10 ** (value / 10)
        drawn = np.where(held, amount[last], np.nan).reshape(-1, 9000)
        with warnings.catch_warnings(action="ignore"):  # steps without a sample
            expected = np.nanmean(drawn, axis=1)
        expected = expected if name == "PT-1" else 10 * np.log10(expected)
        np.testing.assert_allclose(values[name], expected, atol=0.02)


def test_half_at_40_and_half_at_50_db(sqlite_store):
    """47.4036 dB (energy mean), 45 for a pressure; three quarters at 40: 10 lg((3e4 + 1e5)/4) = 45.1188."""
    quarter = 15 * MINUTE_US
    rows = [(s, D0 + k * quarter, v) for s in (0, 1) for k, v in enumerate([40.0, 40.0, 50.0, 50.0])]
    rows += [(2, D0 + k * quarter, v) for k, v in enumerate([40.0, 40.0, 40.0, 50.0])]
    write(sqlite_store, batch(rows))
    values, _ = grid(sqlite_store, How.MEAN, 4 * quarter, to_us=D0 + 4 * quarter)
    assert values["XV-101"] == pytest.approx([47.4036], abs=5e-5)
    assert values["PT-1"] == pytest.approx([45.0])
    assert values["XV-102"] == pytest.approx([45.1188], abs=5e-5)
    assert np.isnan(values["XV-103"]).all()
