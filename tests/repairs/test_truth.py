"""What is known for sure about valves, and that a check gives the same answer live, anew and in replay."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark.repairs.truth import known_valves, truth
from hissmark.store.repair_records import Finding, Found, Repair, Work
from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented, invented

HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5}) as made:
        yield made


def at(hour: float) -> int:
    return START_US + round(hour * HOUR_US)


def known(plant: Invented, valve: str = "XV-103") -> list[tuple[float, float, bool]]:
    """(from, to, passing) in hours of the plant."""
    spans = truth(plant.desk.book, valve, START_US - DAY_US, START_US + DAY_US)
    return [((s.from_us - START_US) / HOUR_US, (s.to_us - START_US) / HOUR_US, s.passing) for s in spans]


def find(
    plant: Invented, hour: float, found: Found, valve: str = "XV-103", source: str | None = None
) -> None:
    plant.clock.at_us = at(hour)
    plant.desk.record_finding(Finding(valve, at(hour), found, "Kari", "", source))


def mend(plant: Invented, hour: float, work: Work = Work.SEAT_LAPPED) -> int:
    plant.clock.at_us = at(hour)
    return plant.desk.record_repair(Repair("XV-103", at(hour), work, "Ola"))


def test_of_a_finding_alone_only_its_moment_is_known(plant: Invented) -> None:
    find(plant, 1, Found.PASSING)
    find(plant, 2, Found.TIGHT)
    assert known(plant) == [(1, 1, True), (2, 2, False)]


def test_a_valve_found_passing_passed_until_it_was_repaired(plant: Invented) -> None:
    find(plant, 1, Found.PASSING)
    mend(plant, 5)
    assert known(plant) == [(1, 5, True)]


def test_work_on_a_sensor_mends_no_valve(plant: Invented) -> None:
    find(plant, 1, Found.PASSING)
    mend(plant, 5, Work.SENSOR_REMOUNTED)
    assert known(plant) == [(1, 1, True)]


def test_the_wrong_valve_was_tight_and_the_other_passed(plant: Invented) -> None:
    find(plant, 1, Found.WRONG_VALVE, source="XV-102")
    assert known(plant) == [(1, 1, False)]
    assert known(plant, "XV-102") == [(1, 1, True)]
    assert known_valves(plant.desk.book) == ["XV-102", "XV-103"]


def test_a_sensor_that_misled_is_marked(plant: Invented) -> None:
    find(plant, 1, Found.SENSOR)
    [span] = truth(plant.desk.book, "XV-103", 0, START_US + DAY_US)
    assert (span.passing, span.sensor, span.basis) == (False, True, "finding 1: sensor")


def test_what_was_taken_back_is_not_known(plant: Invented) -> None:
    find(plant, 1, Found.PASSING)
    plant.desk.withdraw("finding", 1, "Kari", "other valve")
    assert known(plant) == []


def leak_and_repair(plant: Invented) -> None:
    """Passing for half an hour, repaired, quiet for an hour."""
    for minute in range(90):
        plant.tick({"North": PASSING if minute < 30 else QUIET}, START_US + minute * MINUTE_US)
    mend(plant, 0.5)
    plant.clock.at_us = at(1.5)


def test_a_proved_repair_tells_before_and_after(plant: Invented) -> None:
    leak_and_repair(plant)
    plant.desk.follow_up()
    [passing, tight] = known(plant)
    assert passing == (pytest.approx(0, abs=0.01), 0.5, True)
    assert tight == (pytest.approx(40 / 60), pytest.approx(70 / 60), False)


def test_the_check_is_the_same_looked_at_all_along_or_once_at_the_end(tmp_path: Path) -> None:
    outcomes = []
    for name, often in (("often", True), ("once", False)):
        with invented(tmp_path / name, {"North": 5}) as plant:
            for minute in range(30):
                plant.tick({"North": PASSING}, START_US + minute * MINUTE_US)
            mend(plant, 0.5)
            for minute in range(30, 90):
                plant.tick({"North": QUIET}, START_US + minute * MINUTE_US)
                if often:
                    plant.desk.follow_up()
            plant.desk.follow_up()
            [row] = plant.desk.book.outcomes().values()
            outcomes.append((row.at_us, row.outcome, row.payload))
    assert outcomes[0] == outcomes[1]


def test_a_repair_that_follows_ends_the_check_of_the_first(plant: Invented) -> None:
    for minute in range(120):
        plant.tick({"North": QUIET}, START_US + minute * MINUTE_US)
    first, second = mend(plant, 0.5), mend(plant, 0.9)
    plant.clock.at_us = at(2)
    plant.desk.follow_up()
    found = plant.desk.book.outcomes()
    assert (found[first].outcome, found[first].reason) == (
        "not tested", "it was repaired again before it could be tested"
    )  # fmt: skip
    assert found[second].outcome == "tight again"
