"""The check of a repair: outcomes, what hinders them, and that it is the same however the ticks are cut.

The usual sequence is common practice, no source: the rest of the panel is left alone, one valve is repaired,
and all read within a couple of decibels of the background.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hissmark.engine.repair_check import Case, Hindrance, Outcome, Progress, follow, levels_over
from hissmark.engine.settings import RepairSettings
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store.blocks import Block

US = 1_000_000
MINUTE_US = 60 * US
AT_US = 1_772_323_200_000_000
CHANNELS = ("A", "B", "C", "R")
CASE = Case(
    AT_US, "B", {"A": "XV-A", "B": "XV-B", "C": "XV-C"}, 600 * US, 180 * US, 20.0,
    RepairSettings(hold_s=1800, near_db=3.0, pressure_share=0.8, wait_s=86_400),
)  # fmt: skip
QUIET = (Verdict.QUIET, Reason.AT_BACKGROUND)
PASSING = (Verdict.PASSING, Reason.HIGHEST_STEADY_RISE)
SPILL = (Verdict.SPILL, Reason.HEARD_FROM_THE_SOURCE)
NO_PRESSURE = (Verdict.NOT_TESTABLE, Reason.NO_PRESSURE_DIFFERENCE)
UNSETTLED = (Verdict.UNSETTLED, Reason.LEVEL_NOT_STEADY)


def ticks(
    first_min: int, count: int, rise: tuple[float, ...] = (0.2, 0.1, 0.3, 0.0), *, a: Any = QUIET,
    b: Any = QUIET, c: Any = QUIET, bar: float = 20.0,
) -> Block:  # fmt: skip
    """Ticks a minute apart from `first_min` after the work on."""
    time_us = AT_US + (first_min + np.arange(count, dtype=np.int64)) * MINUTE_US
    shape = (count, len(CHANNELS))
    rises = np.broadcast_to(np.array(rise, np.float32), shape).copy()
    codes = np.array([a, b, c, QUIET], np.uint8)
    baseline = np.full(shape, 24.0, np.float32)
    return Block(
        CHANNELS, time_us, baseline + rises, baseline + rises + 1, baseline + rises + 2, baseline, rises,
        baseline + rises, np.full(shape, bar, np.float32), np.broadcast_to(codes[:, 0], shape).copy(),
        np.broadcast_to(codes[:, 1], shape).copy(), np.zeros(shape, np.uint8),
    )  # fmt: skip


def checked(*parts: Block, case: Case = CASE) -> Progress:
    progress = Progress()
    for part in parts:
        progress = follow(case, progress, part)
    return progress


def minutes(at_us: int) -> float:
    return (at_us - AT_US) / MINUTE_US


def test_source_and_group_back_for_the_hold_time_is_tight_again() -> None:
    found = checked(ticks(1, 60))
    assert found.outcome is Outcome.TIGHT_AGAIN
    assert (minutes(found.since_us), minutes(found.last_us)) == (10, 40)


def test_nothing_counts_before_a_window_has_passed_since_the_work() -> None:
    found = checked(ticks(1, 9))
    assert (found.sign, found.hindrance) == (None, Hindrance.SETTLING)


def test_the_hold_is_counted_as_it_goes() -> None:
    found = checked(ticks(1, 22))
    assert (found.sign, found.held_us / MINUTE_US, found.outcome) == (Outcome.TIGHT_AGAIN, 12, None)


@pytest.mark.parametrize(
    ("broken", "why"),
    [
        (ticks(30, 1, b=NO_PRESSURE), Hindrance.NO_PRESSURE),
        (ticks(30, 1, b=UNSETTLED), Hindrance.SETTLING),
        (ticks(30, 1, (0.2, 3.4, 0.1, 0.0)), Hindrance.RAISED),
        (ticks(30, 1, (0.2, 0.4, 3.4, 0.0)), Hindrance.GROUP),
        (ticks(30, 1, bar=12.0), Hindrance.LESS_PRESSURE),
        (ticks(30, 1, (0.2, np.nan, 0.1, 0.0)), Hindrance.RAISED),
    ],
)
def test_a_break_begins_the_hold_anew(broken: Block, why: Hindrance) -> None:
    before = checked(ticks(1, 29), broken)
    assert (before.sign, before.hindrance) == (None, why)
    found = checked(ticks(1, 29), broken, ticks(31, 60))
    assert found.outcome is Outcome.TIGHT_AGAIN
    assert (minutes(found.since_us), minutes(found.last_us)) == (31, 61)


def test_ticks_that_are_missing_break_the_hold() -> None:
    """Nobody knows what was to be heard meanwhile."""
    found = checked(ticks(1, 29), ticks(34, 60))
    assert minutes(found.since_us) == 34
    assert minutes(checked(ticks(1, 29), ticks(32, 60)).since_us) == 10


def test_the_valve_that_goes_on_as_the_source_is_still_passing() -> None:
    found = checked(ticks(1, 60, (6.0, 14.0, 6.0, 2.0), a=SPILL, b=PASSING, c=SPILL))
    assert (found.outcome, minutes(found.last_us)) == (Outcome.STILL_PASSING, 40)


def test_what_still_stands_from_before_the_work_is_no_sign() -> None:
    """The window still holds sound from before, and the evidence that had gathered goes slowly."""
    found = checked(ticks(1, 9, b=PASSING), ticks(10, 60))
    assert found.outcome is Outcome.TIGHT_AGAIN


def test_another_valve_as_the_source_is_named() -> None:
    found = checked(ticks(1, 60, (6.0, 9.0, 16.0, 2.0), a=SPILL, b=SPILL, c=PASSING))
    assert (found.outcome, found.about) == (Outcome.SOURCE_ELSEWHERE, "XV-C")


def test_without_pressure_it_waits_and_in_the_end_was_not_tested() -> None:
    case = replace(CASE, settings=replace(CASE.settings, wait_s=7200))
    waiting = checked(ticks(1, 100, b=NO_PRESSURE), case=case)
    assert (waiting.outcome, waiting.hindrance) == (None, Hindrance.NO_PRESSURE)
    found = checked(ticks(1, 200, b=NO_PRESSURE), case=case)
    assert (found.outcome, found.hindrance) == (Outcome.NOT_TESTED, Hindrance.NO_PRESSURE)
    assert minutes(found.last_us) == 120


def test_a_hold_that_has_begun_in_time_may_end_later() -> None:
    case = replace(CASE, settings=replace(CASE.settings, wait_s=7200))
    found = checked(ticks(1, 109, b=NO_PRESSURE), ticks(110, 60), case=case)
    assert (found.outcome, minutes(found.last_us)) == (Outcome.TIGHT_AGAIN, 140)


def test_what_hindered_longest_is_named() -> None:
    case = replace(CASE, settings=replace(CASE.settings, wait_s=7200))
    found = checked(
        ticks(1, 20, b=UNSETTLED), ticks(21, 80, b=NO_PRESSURE), ticks(101, 30, b=UNSETTLED), case=case
    )
    assert found.hindrance is Hindrance.NO_PRESSURE


def test_an_open_neighbour_does_not_keep_the_group_from_being_back() -> None:
    """What an open valve hears is its own flow."""
    assert checked(ticks(1, 60, (0.1, 0.2, 26.0, 0.0), c=(Verdict.NOT_TESTABLE, Reason.OPEN))).outcome is (
        Outcome.TIGHT_AGAIN
    )


def test_a_slow_sensor_is_held_for_one_of_its_windows() -> None:
    case = replace(CASE, window_us=4 * 3600 * US, gap_us=3 * 3600 * US)
    found = checked(ticks(1, 600), case=case)
    assert (minutes(found.since_us), minutes(found.last_us)) == (240, 480)


def test_nothing_changes_once_it_has_ended() -> None:
    ended = checked(ticks(1, 60))
    assert follow(CASE, ended, ticks(61, 60, b=PASSING)) == ended


def test_however_the_ticks_are_cut_the_answer_is_the_same() -> None:
    """Also when some come twice, as after a restart."""
    parts = [
        ticks(-30, 31, b=PASSING), ticks(1, 14, b=PASSING), ticks(15, 6, (4.0, 1.0, 0.0, 0.0)),
        ticks(21, 20, b=NO_PRESSURE), ticks(41, 9), ticks(50, 2, b=UNSETTLED), ticks(52, 60),
    ]  # fmt: skip
    whole = checked(*parts)
    assert whole.outcome is Outcome.TIGHT_AGAIN
    for seed in range(20):
        rng, progress = random.Random(seed), Progress()
        for part in parts:
            cuts = sorted({0, len(part), *(rng.randrange(len(part)) for _ in range(4))})
            for begin, end in itertools.pairwise(cuts):
                progress = follow(CASE, progress, part.rows(slice(max(0, begin - rng.randrange(3)), end)))
        assert progress == whole


def test_typical_levels_are_medians_and_leave_out_what_is_not_known() -> None:
    part = ticks(1, 5, b=PASSING)
    part.level_db[:, 1] = [30, 31, np.nan, 50, 33]
    part.level_db[:, 2] = np.nan
    found = levels_over([part], "B", AT_US, AT_US + 10 * MINUTE_US)
    assert found is not None
    assert found.level_db[1:3] == (32.0, None)
    assert found.verdict[1] == "passing"
    assert (found.difference_bar, minutes(found.from_us), minutes(found.to_us)) == (20.0, 1, 5)
    assert levels_over([part], "B", 0, 1) is None
