"""Sums by minute and hour: against numpy, against the definition of the energy mean, whole whatever was
sealed.
"""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.store.archive.catalogue import DAY_US, Kind
from hissmark.store.archive.rollup import HOUR_US, MINUTE_US, NUMBERS, rolled_up
from hissmark.store.rows import Columns
from support.sealing import D0, NAMES, batch, days, everything, in_database, sealer, write

ROUNDED_DB = 0.5 / 1024 + 1e-9
"""How far rounding may put a computed level."""


def columns(times, values, ids=None):
    n = len(times)
    return Columns(
        np.array(times, np.int64), np.zeros(n, np.int32) if ids is None else np.array(ids, np.int32),
        np.array(values, np.float64), np.zeros(n, np.uint8),
    )  # fmt: skip


def test_energy_mean_of_40_and_50_db():
    """47.4036 dB, not 45: the mean of the powers (equivalent level, ISO 1996-1); a process value keeps 45."""
    times, values = [D0, D0 + 1], [40.0, 50.0]
    assert rolled_up(columns(times, values), MINUTE_US, {0}).mean == pytest.approx([47.4036], abs=ROUNDED_DB)
    assert rolled_up(columns(times, values), MINUTE_US, set()).mean == [45.0]


def test_exceedance_levels_of_1_to_100():
    """ISO 1996-1: exceeded for N % of the time; numpy's linear percentile of 1..100 gives 90.1, 50.5,
    10.9.
    """
    rng = np.random.default_rng(3)
    found = rolled_up(columns(D0 + np.arange(100), rng.permutation(np.arange(1, 101))), MINUTE_US, {0})
    assert [found.l10[0], found.l50[0], found.l90[0]] == pytest.approx([90.1, 50.5, 10.9], abs=ROUNDED_DB)
    assert (found.n[0], found.min[0], found.max[0]) == (100, 1, 100)


@pytest.mark.parametrize("period_us", [MINUTE_US, HOUR_US])
def test_against_numpy(period_us):
    """Uneven samples of three series over a day and a half, some periods empty."""
    rng = np.random.default_rng(5)
    times, ids, values = (
        rng.integers(D0, D0 + 36 * HOUR_US, 3000),
        rng.integers(0, 3, 3000),
        rng.normal(40, 9, 3000),
    )
    found = rolled_up(columns(times, values, ids), period_us, {0, 2})
    assert found.n.sum() == 3000
    for i in range(len(found)):
        start = found.start_us[i]
        mine = values[(ids == found.series_id[i]) & (times >= start) & (times < start + period_us)]
        energy = found.series_id[i] != 1
        mean = 10 * np.log10(np.mean(10 ** (mine / 10))) if energy else np.mean(mine)
        expected = [mean, *np.percentile(mine, [90, 50, 10]), mine.min(), mine.max()]
        coarse = {"abs": ROUNDED_DB} if energy else {"rel": 2**-24}
        told = [getattr(found, name)[i] for name in NUMBERS]
        assert told[:4] == pytest.approx(expected[:4], **coarse)
        assert told[4:] == expected[4:]
        assert found.n[i] == len(mine)


def test_extreme_levels_do_not_overflow():
    """A billion decibel is believed by the decoder; its power is no floating-point number."""
    found = rolled_up(columns([D0, D0 + 1], [1e9, 1e9 - 3]), MINUTE_US, {0})
    assert found.mean == pytest.approx([1e9 - 1.2], abs=1)


def rows(store, kind, from_us=0, to_us=1 << 62):
    """Everything as rows (name, start, n, mean, ...), and how each mean was made."""
    found, how = [], {}
    for part in store.reader().rollups(NAMES, kind, from_us, to_us):
        names = [NAMES[i] for i in part.series_id.tolist()]
        numbers = [getattr(part, name).tolist() for name in NUMBERS]
        found += zip(names, part.start_us.tolist(), part.n.tolist(), *numbers, strict=True)
        how |= dict(zip(names, part.energy.tolist(), strict=True))
    return sorted(found), how


@pytest.mark.parametrize("kind", [Kind.MINUTE, Kind.HOUR])
def test_the_same_before_and_after_sealing(store, kind):
    """From the samples, from files, and from both where a sealed day has late samples or a month is half
    sealed.
    """
    writer = write(store, days(4, 200))
    before, how = rows(store, kind)
    assert how == {"PT-1": False, "XV-101": True, "XV-102": True, "XV-103": True}
    sealer(store).seal_before(D0 + 3 * DAY_US)
    assert in_database(store) == 800
    assert rows(store, kind)[0] == before
    part = (D0 + DAY_US + HOUR_US, D0 + 3 * DAY_US + 2 * HOUR_US)
    assert rows(store, kind, *part)[0] == [r for r in before if part[0] <= r[1] < part[1]]
    with writer.transaction() as tx:
        tx.samples(batch([(1, D0 + DAY_US + 7, 60.0)], flags=1))
    late = rows(store, kind)[0]
    assert late != before
    sealer(store).seal_before(D0 + 3 * DAY_US)
    assert rows(store, kind)[0] == late


def test_years_apart(store):
    """Empty years between two samples are not walked through."""
    write(store, batch([(1, D0, 40.0), (1, D0 + 3000 * DAY_US, 41.0)]))
    sealer(store).seal_before(D0 + DAY_US)
    assert [r[1] for r in rows(store, Kind.HOUR)[0]] == [D0, D0 + 3000 * DAY_US]
    assert len(everything(store)) == 2
