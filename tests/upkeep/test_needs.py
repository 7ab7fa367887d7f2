"""Baselines that need a look are ranked, each with one reason; one is taken from a period of history."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hissmark.engine.known_baselines import Baseline
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store.history import ChannelHistory
from hissmark.upkeep.needs import NeedKind, needs_of
from hissmark.upkeep.periods import PeriodError, baseline_in
from support.rig import START_US, US

DAY_US = 86_400 * US
NOW_US = START_US + 60 * DAY_US
WELL = Baseline(
    channel="AE-1", subject="XV-1", group="header", condition=0, condition_name="ordinary", present=True,
    learned=True, approved=False, held=False, value_db=30.0, scale_db=0.7, anchor_db=30.0, floors=80,
    needs=48, since_us=START_US, last_us=NOW_US - 600 * US, usual_spread_db=2.0,
)  # fmt: skip


def named(n: int, **more: object) -> Baseline:
    return replace(WELL, channel=f"AE-{n}", subject=f"XV-{n}", **more)  # type: ignore[arg-type]


def kinds(*baselines: Baseline) -> list[tuple[str, NeedKind]]:
    found = needs_of(baselines, NOW_US, max_drift_db=3.0, learn_s=172_800)
    return [(n.baseline.subject, n.kind) for n in found]


def test_what_is_well_needs_no_look() -> None:
    assert kinds(WELL, named(2, approved=True, value_db=31.0)) == []


def test_the_most_urgent_comes_first_and_each_is_listed_once() -> None:
    assert kinds(
        named(1, floors=10), named(2, value_db=31.8), named(3, held=True, value_db=31.8),
        named(4, value_db=33.0, last_us=NOW_US - 5 * DAY_US), named(5, last_us=NOW_US - 5 * DAY_US),
        named(6, learned=False, floors=3, value_db=None, anchor_db=None),
    ) == [
        ("XV-4", NeedKind.AT_ITS_BOUND), ("XV-3", NeedKind.HELD_BY_HAND), ("XV-5", NeedKind.HELD_LONG),
        ("XV-2", NeedKind.DRIFTING), ("XV-6", NeedKind.STILL_LEARNING), ("XV-1", NeedKind.LITTLE_DATA),
    ]  # fmt: skip


def test_a_state_that_lifts_one_valve_alone_is_suspect_one_that_lifts_many_is_not() -> None:
    quiet = [named(n) for n in (1, 2, 3)]
    alone = [named(n, condition=1, condition_name="state 2", value_db=v) for n, v in ((1, 48.0), (2, 33.0))]
    many = [named(n, condition=2, condition_name="state 3", value_db=42.0 + n) for n in (1, 2, 3)]
    anchored = [replace(b, anchor_db=b.value_db) for b in (*alone, *many)]
    assert kinds(*quiet, *anchored) == [("XV-1", NeedKind.SUSPECT)]
    approved = [replace(b, approved=True) for b in anchored]
    assert kinds(*quiet, *approved) == []


def history(level: np.ndarray, verdict: Verdict, reason: Reason, baseline: float = 30.0) -> ChannelHistory:
    n = len(level)
    floats = {
        name: np.full(n, np.nan, np.float32)
        for name in ("l50_db", "l10_db", "rise_db", "expected_db", "difference_bar")
    }
    return ChannelHistory(
        START_US + np.arange(n, dtype=np.int64) * 60 * US, level_db=level.astype(np.float32),
        baseline_db=np.full(n, baseline, np.float32), verdict=np.full(n, int(verdict), np.uint8),
        reason=np.full(n, int(reason), np.uint8), open_=np.zeros(n, np.uint8), **floats,
    )  # fmt: skip


def test_a_period_gives_median_and_scatter_of_what_could_be_judged() -> None:
    """For Gaussian data 1.4826 times the median distance from the median is the standard deviation."""
    levels = np.random.default_rng(4).normal(41.0, 0.8, 4000)
    open_ = history(np.full(500, 90.0), Verdict.NOT_TESTABLE, Reason.OPEN)
    found = baseline_in([history(levels, Verdict.QUIET, Reason.AT_BACKGROUND), open_], 30.0, False)
    assert (found.ticks, found.of) == (4000, 4500)
    assert found.value_db == pytest.approx(41.0, abs=0.06)
    assert found.scale_db == pytest.approx(0.8, abs=0.04)


def test_of_several_conditions_only_the_ticks_judged_by_this_one_count() -> None:
    one = history(np.full(40, 30.2), Verdict.QUIET, Reason.AT_BACKGROUND, 30.0)
    other = history(np.full(400, 45.0), Verdict.QUIET, Reason.AT_BACKGROUND, 45.0)
    assert baseline_in([one, other], 30.0, True).value_db == pytest.approx(30.2)


def test_too_few_ticks_are_refused_with_what_there_was() -> None:
    unsteady = history(np.full(100, 30.0), Verdict.UNSETTLED, Reason.LEVEL_NOT_STEADY)
    with pytest.raises(PeriodError, match="Of 100 ticks on record in this period 0 were steady"):
        baseline_in([unsteady], None, False)
