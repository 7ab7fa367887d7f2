"""A sound that was called a leak twice and ended by itself, and comes back."""

from __future__ import annotations

import pytest

from hissmark.judge.verdicts import Reason, Verdict
from support.rig import learned_rig, row_of_valves, with_settings

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 24.0}
SOUND = {"AE-1": 36.0, "AE-2": 52.0, "AE-3": 41.0, "AE-4": 30.0}


def louder(by_db: dict[str, float]) -> dict[str, float]:
    return {name: level + by_db.get(name, 0.0) for name, level in SOUND.items()}


@pytest.mark.parametrize(
    ("by_db", "reason"),
    [
        (dict.fromkeys(SOUND, 2.5), Reason.CAME_AND_WENT_BEFORE),
        ({"AE-1": 7.0}, Reason.HIGHEST_STEADY_RISE),
        (dict.fromkeys(SOUND, 8.0), Reason.HIGHEST_STEADY_RISE),
    ],
    ids=["a little louder everywhere", "louder in one channel", "far louder everywhere"],
)
def test_it_is_the_same_however_loud_the_group_is_within_bounds(
    by_db: dict[str, float], reason: Reason
) -> None:
    rig = learned_rig(row_of_valves(4), BASE, settings=with_settings(signal={"tick_s": 300}))
    for _ in range(2):
        rig.run(3 * 3600, SOUND, every_s=60.0).run(3 * 3600, BASE, every_s=60.0)
    assert rig.events("XV-2", "passing") == ["raised", "cleared"] * 2
    rig.run(3 * 3600, louder(by_db), every_s=60.0)
    known = reason is Reason.CAME_AND_WENT_BEFORE
    assert rig.verdict("XV-2") is (Verdict.CONTESTED if known else Verdict.PASSING)
    assert rig.reason("XV-2") is reason
