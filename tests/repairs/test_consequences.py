"""What a repair changes in the computation: on record with it, in one transaction."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hissmark.engine.change import Change
from hissmark.engine.telling import Background
from hissmark.judge.verdicts import BaselineState
from hissmark.store.repair_records import Repair, Work
from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented, Scene, invented

KNOWN = Background(
    BaselineState.TRACKING, 1, 2, None, None, False, 24.0, 0.6, 24.0, 0.0, 99, 48, START_US, 144_000
)  # fmt: skip


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5}) as made:
        made.desk.background_at = lambda valve, at_us: KNOWN
        yield made


def mend(plant: Invented, after: Scene = QUIET, work: Work = Work.SEAT_LAPPED) -> list[Change]:
    """A leak and its repair; returns the changes on record afterwards."""
    for minute in range(90):
        plant.tick({"North": PASSING if minute < 30 else after}, START_US + minute * MINUTE_US)
    plant.clock.at_us = START_US + 90 * MINUTE_US
    plant.desk.record_repair(Repair("XV-103", START_US + 30 * MINUTE_US, work, "Ola"))
    plant.desk.follow_up()
    plant.desk.follow_up()
    return [row.change for row in plant.reader.changes()]


def moved(db: float) -> Scene:
    heard = list(QUIET.heard)
    heard[2] = replace(heard[2], rise_db=db)
    return replace(QUIET, heard=tuple(heard))


def test_a_proved_repair_teaches_losses(plant: Invented) -> None:
    [change] = mend(plant)
    assert (str(change.kind), change.subject, change.operator) == ("repair", "XV-103", "hissmark")
    assert change.payload["at_us"] == START_US + 30 * MINUTE_US
    assert change.reason == "repair 1 proved tight"


@pytest.mark.parametrize("db", [2.4, -6.0])
def test_a_background_that_has_moved_is_set_to_what_the_hold_time_showed(plant: Invented, db: float) -> None:
    """Not learned anew: the valve goes on being judged."""
    _, change = mend(plant, moved(db))
    level_db = QUIET.heard[2].baseline_db + db
    assert (str(change.kind), change.payload["step"], change.payload["condition"]) == ("baseline", "set", 1)
    assert change.payload["value_db"] == pytest.approx(level_db, abs=0.01)
    assert change.payload["scale_db"] == 0.6
    assert change.payload["basis"]["from"] == "2026-03-01T02:40:00Z"


def test_a_background_that_has_not_moved_stays(plant: Invented) -> None:
    assert [str(c.kind) for c in mend(plant, moved(0.8))] == ["repair"]


def test_a_repair_that_has_not_worked_changes_nothing(plant: Invented) -> None:
    assert mend(plant, PASSING) == []
    assert [row.outcome for row in plant.desk.book.outcomes().values()] == ["still passing"]


def test_work_on_a_sensor_has_its_background_learned_anew(plant: Invented) -> None:
    [change] = mend(plant, work=Work.SENSOR_REPLACED)
    assert (str(change.kind), change.subject, change.payload["step"]) == ("baseline", "XV-103", "relearn")
    assert change.operator == "Ola"
