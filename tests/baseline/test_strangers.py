"""States that nothing known explains: when they are taken for operating conditions (invented levels)."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.baseline.strangers import STANDS, STILL_DB, Strangers
from hissmark.judge.verdicts import Verdict
from support.rig import Rig, learned_rig, row_of_valves, with_settings

GROUP_OF = np.zeros(3, np.int32)
ROWS = np.arange(3)
STATE_DB = np.array([40.0, 52.0, 45.0], np.float32)


def strangers(levels: list[np.ndarray]) -> Strangers:
    found = Strangers(3, 1)
    for stride, level in enumerate(levels, 1):
        found.record(stride, np.array([True]), GROUP_OF, np.ones(3, bool), level, np.zeros(1, np.intp))
    return found


def test_a_state_that_has_stood_still_long_enough_stands() -> None:
    wobble = np.random.default_rng(1).normal(0.0, 0.2, (STANDS, 3)).astype(np.float32)
    standing = strangers(list(STATE_DB + wobble)).standing(0, ROWS)
    assert standing is not None
    rows, named, centre, _ = standing
    assert rows.tolist() == [0, 1, 2]
    assert named == 0
    assert centre == pytest.approx(STATE_DB, abs=0.3)


@pytest.mark.parametrize(
    "levels",
    [
        [STATE_DB] * (STANDS - 1),
        [STATE_DB] * (STANDS - 1) + [STATE_DB + np.float32(2 * STILL_DB)],
        [STATE_DB] * (STANDS - 1) + [np.full(3, np.nan, np.float32)],
    ],
    ids=["not long enough", "moved", "quiet now"],
)
def test_what_came_just_now_or_moves_does_not_stand(levels: list[np.ndarray]) -> None:
    assert strangers(levels).standing(0, ROWS) is None


BASE = {"AE-1": 30.0, "AE-2": 31.0, "AE-3": 29.0, "AE-4": 30.0, "AE-5": 32.0}
SUMMITS = {"AE-1": 42.0, "AE-2": 31.5, "AE-3": 40.0, "AE-4": 30.5, "AE-5": 43.0}
LEAK = {"AE-1": 31.0, "AE-2": 38.0, "AE-3": 48.0, "AE-4": 39.0, "AE-5": 33.5}


def after_a_day_of(sound: dict[str, float]) -> Rig:
    rig = learned_rig(row_of_valves(5), BASE, settings=with_settings(signal={"tick_s": 300}))
    return rig.run(24 * 3600, sound, every_s=60.0)


def test_a_condition_that_no_source_explains_is_learned_at_its_first_visit() -> None:
    rig = after_a_day_of(SUMMITS)
    assert rig.engine.stepper.baselines.modes[0] == 2
    assert {rig.verdict(f"XV-{i}") for i in range(1, 6)} == {Verdict.QUIET}
    rig.run(6 * 3600, SUMMITS | {"AE-3": 52.0, "AE-2": 44.0, "AE-4": 43.0}, every_s=60.0)
    assert rig.verdict("XV-3") is Verdict.PASSING


def test_a_leak_is_learned_by_no_length_of_time() -> None:
    rig = after_a_day_of(LEAK)
    assert rig.engine.stepper.baselines.modes[0] == 1
    assert rig.verdict("XV-3") is Verdict.PASSING
