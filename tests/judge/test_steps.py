"""What the register lets expect between two places (common practice, no source)."""

from __future__ import annotations

import pytest

from hissmark.engine.settings import JudgeSettings
from hissmark.judge.geometry import step_loss
from support.rig import valve

SETTINGS = JudgeSettings(joint_loss_db=3.0, loss_db_per_m=0.3, default_loss_db=6.0)


@pytest.mark.parametrize(
    ("known", "loss_db"),
    [
        ({"joints": 4, "distance_m": 10.0}, 15.0),
        ({"joints": 4}, 12.0),
        ({"joints": 0, "distance_m": 10.0}, 3.0),
        ({}, 6.0),
        ({"distance_m": 10.0}, 9.0),
    ],
)
def test_expected_loss(known: dict[str, float], loss_db: float) -> None:
    assert step_loss(valve("1", **known), SETTINGS)[0] == pytest.approx(loss_db)


def test_joints_that_nobody_counted_are_not_none() -> None:
    """Between two valves there are flanges: a length alone makes no place nearer than two joints would."""
    counted, alone = (step_loss(valve("1", distance_m=4.0, **more), SETTINGS) for more in ({"joints": 2}, {}))
    assert alone == counted
