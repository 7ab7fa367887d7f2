"""Summaries by period against plain numpy, and the ways a history can be cut up."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.judge.verdicts import Verdict
from hissmark.publish.summary import (
    COLUMNS,
    LEVELS,
    SHARES,
    by_period,
    csv_of,
    rows_of,
    summarise,
    ticks_of,
    to_go_out,
)
from hissmark.store.blocks import UNKNOWN_CODE
from hissmark.store.history import ChannelHistory

MIN_US = 60_000_000
HOUR_US = 60 * MIN_US
DAY_US = 24 * HOUR_US
START_US = 1_772_330_400_000_000  # 2026-03-01T02:00:00Z, a Sunday


def history(minutes: np.ndarray, seed: int = 3, **columns: np.ndarray) -> ChannelHistory:
    """Ticks at these minutes after the start; levels, rises (some unknown) and verdicts by chance."""
    rng, n = np.random.default_rng(seed), len(minutes)
    level = rng.normal(40, 6, n).astype(np.float32)
    rise = rng.normal(3, 4, n).astype(np.float32)
    rise[rng.random(n) < 0.2] = np.nan
    nothing = np.full(n, np.nan, np.float32)
    made = {
        "level_db": level, "l50_db": level + 2, "l10_db": level + 5, "rise_db": rise,
        "verdict": rng.integers(0, len(Verdict), n).astype(np.uint8), **columns,
    }  # fmt: skip
    codes = np.zeros(n, np.uint8)
    return ChannelHistory(
        START_US + np.asarray(minutes, np.int64) * MIN_US, baseline_db=level - rise, expected_db=nothing,
        difference_bar=nothing, reason=codes, open_=codes, **made,
    )  # fmt: skip


def cut(whole: ChannelHistory, places: list[int]) -> Iterator[ChannelHistory]:
    """The same in parts."""
    names = [f for f in ChannelHistory.__dataclass_fields__ if f not in ("damaged", "next_from_us")]
    ends = [0, *sorted(places), len(whole)]
    for a, b in pairwise(ends):
        yield ChannelHistory(**{name: getattr(whole, name)[a:b] for name in names})


def by_hand(whole: ChannelHistory, every_us: int, origin_us: int = 0) -> dict[int, dict[str, float]]:
    """Start -> figures, in numpy and straight from the definitions."""
    start = (whole.time_us - origin_us) // every_us * every_us + origin_us
    found = {}
    for at in np.unique(start).tolist():
        mine = start == at
        level = whole.level_db[mine].astype(np.float64)
        rise = whole.rise_db[mine].astype(np.float64)
        known = rise[~np.isnan(rise)]
        found[at] = {
            "ticks": int(mine.sum()),
            "mean_db": 10 * math.log10((10 ** (level / 10)).mean()),  # ISO 1996-1, equivalent level
            # ISO 1996-1: L90 is exceeded for 90 % of the time, so it is the 10th percentile
            "l90_db": np.percentile(level, 10),
            "l50_db": np.percentile(whole.l50_db[mine].astype(np.float64), 50),
            "l10_db": np.percentile(whole.l10_db[mine].astype(np.float64), 90),
            "min_db": level.min(),
            "max_db": level.max(),
            "rise_mean_db": known.mean() if len(known) else math.nan,
            "rise_max_db": known.max() if len(known) else math.nan,
            **{name: float((whole.verdict[mine] == v).mean()) for v, name in SHARES.items()},
        }
    return found


def joined(parts: Iterator[ChannelHistory], every_us: int) -> pd.DataFrame:
    return pd.concat(list(by_period(parts, every_us)))


def assert_same(found: pd.DataFrame, wanted: dict[int, dict[str, float]]) -> None:
    assert found.index.as_unit("us").asi8.tolist() == list(wanted)  # type: ignore[attr-defined]
    for name in ("ticks", *LEVELS, *SHARES.values()):
        np.testing.assert_allclose(
            found[name].to_numpy(), [row[name] for row in wanted.values()], rtol=1e-9, err_msg=name
        )


@pytest.mark.parametrize("every_us", [10 * MIN_US, HOUR_US, 8 * HOUR_US, DAY_US])
def test_every_figure_against_numpy(every_us: int) -> None:
    """Four days of ticks with a hole of half a day and single ticks missing."""
    minutes = np.delete(np.arange(4 * 1440), np.r_[1500:2220, 17, 3000, 5000:5003])
    whole = history(minutes)
    assert_same(joined(iter([whole]), every_us), by_hand(whole, every_us))


@given(places=st.lists(st.integers(0, 600), max_size=6), every_min=st.sampled_from([1, 7, 60, 240, 1440]))
def test_however_the_history_is_cut_up(places: list[int], every_min: int) -> None:
    """The parts it is read in change nothing, and no period comes twice."""
    whole = history(np.arange(0, 600))
    at_once = joined(iter([whole]), every_min * MIN_US)
    in_parts = joined(cut(whole, places), every_min * MIN_US)
    pd.testing.assert_frame_equal(at_once, in_parts)
    assert int(in_parts["ticks"].sum()) == 600


def test_weeks_begin_on_monday_and_days_at_midnight() -> None:
    """2026-03-02 is a Monday (calendar)."""
    week = joined(iter([history(np.arange(3 * 1440))]), 7 * DAY_US)
    assert [str(t) for t in week.index] == ["2026-02-23 00:00:00+00:00", "2026-03-02 00:00:00+00:00"]
    day = joined(iter([history(np.arange(1440))]), DAY_US)
    assert [str(t) for t in day.index] == ["2026-03-01 00:00:00+00:00", "2026-03-02 00:00:00+00:00"]
    assert day["ticks"].tolist() == [22 * 60, 2 * 60]


def test_an_energy_mean_is_not_a_mean_of_decibels() -> None:
    """Nine tenths at 30 dB and one at 50 dB: 10 lg((9 * 10^3 + 10^5) / 10) = 40.37 dB, not 32."""
    level = np.array([30.0] * 9 + [50.0], np.float32)
    found = summarise(ticks_of(history(np.arange(10), level_db=level)), HOUR_US)
    assert found["mean_db"].item() == pytest.approx(40.374, abs=1e-3)


def test_years_of_silence_make_no_rows_and_take_no_time() -> None:
    minutes = np.r_[0:5, 20 * 525_600 : 20 * 525_600 + 5]
    found = joined(iter([history(minutes)]), MIN_US)
    assert found["ticks"].tolist() == [1] * 10


def test_what_was_not_judged_is_not_counted() -> None:
    """A tick without a value of this channel (it joined the register later) is no tick of it."""
    verdict = np.array([UNKNOWN_CODE, 0, 0, 1], np.uint8)
    found = summarise(ticks_of(history(np.arange(4), verdict=verdict)), HOUR_US)
    assert found["ticks"].item() == 3
    assert found["share_quiet"].item() == pytest.approx(2 / 3)
    assert found["share_passing"].item() == pytest.approx(1 / 3)


def test_no_tick_no_summary() -> None:
    assert list(by_period(iter([history(np.arange(0))]), HOUR_US)) == []


def test_what_is_not_known_goes_out_as_nothing() -> None:
    """No baseline in the whole period; a level of no power at all (-inf) is no number for JSON either."""
    n, nothing = 3, np.full(3, np.nan, np.float32)
    whole = history(np.arange(n), rise_db=nothing, level_db=np.full(n, -np.inf, np.float32))
    ready = to_go_out(summarise(ticks_of(whole), HOUR_US), HOUR_US)
    (row,) = rows_of(ready)
    assert (row["rise_mean_db"], row["rise_max_db"], row["mean_db"]) == (None, None, None)
    assert json.loads(json.dumps(row, allow_nan=False)) == row
    (line,) = csv.DictReader(io.StringIO(csv_of(ready)))
    assert (line["rise_mean_db"], line["mean_db"]) == ("", "")


def test_csv_and_json_say_the_same() -> None:
    ready = to_go_out(summarise(ticks_of(history(np.arange(300))), HOUR_US), HOUR_US)
    lines = list(csv.DictReader(io.StringIO(csv_of(ready))))
    rows = rows_of(ready)
    assert tuple(lines[0]) == tuple(rows[0]) == COLUMNS
    assert (rows[0]["start"], rows[0]["end"]) == ("2026-03-01T02:00:00Z", "2026-03-01T03:00:00Z")
    for line, row in zip(lines, rows, strict=True):
        assert {k: v if k in ("start", "end") else float(v) for k, v in line.items()} == row
