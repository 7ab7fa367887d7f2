"""The repair list: order, reasons, what to leave alone, and what that has saved by the site's own counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient

from hissmark.engine.register import Register
from hissmark.engine.settings import PrioritySettings
from hissmark.publish.reading import readings_of
from hissmark.repairs.ranking import Brief, Deed, Known, priority_of, ranked
from hissmark.repairs.spared import spared
from hissmark.repairs.trend import trend_db_per_day
from hissmark.store.repair_records import Cost, Repair, Work
from hissmark.store.repairs import standing
from hissmark.web import create_app
from support.invented import (
    CONTESTED,
    DEAD,
    MINUTE_US,
    OUTSIDE,
    PASSING,
    QUIET,
    START_US,
    Invented,
    Scene,
    invented,
    tick_of,
)

GROUPS = ("A", "B", "C")
HOUR_US = 60 * MINUTE_US


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, dict.fromkeys(GROUPS, 5)) as made:
        yield made


def louder(db: float, scene: Scene = PASSING) -> Scene:
    """The same leak with another rise at its source."""
    heard = list(scene.heard)
    heard[2] = replace(heard[2], rise_db=db)
    return replace(scene, heard=tuple(heard))


def listed(plant: Invented, scenes: dict[str, Scene], known: Known | None = None, **consequence: str):  # type: ignore[no-untyped-def]
    tick = tick_of(plant.layout, scenes, START_US)
    register = Register.of(
        replace(c, consequence=consequence.get(c.group, "medium"))  # type: ignore[arg-type]
        for c in plant.register.channels
    )
    readings = list(readings_of(plant.layout, tick))
    return ranked(readings, register, PrioritySettings(), known or Known(START_US))


def to_repair(rows) -> list[str]:  # type: ignore[no-untyped-def]
    return [r.valve for r in rows if r.deed is Deed.REPAIR]


def test_the_source_is_to_be_repaired_and_who_hears_it_left_alone(plant: Invented) -> None:
    rows = listed(plant, {"A": PASSING})
    assert to_repair(rows) == ["XV-103"]
    alone = [r for r in rows if r.deed is Deed.LEAVE_ALONE]
    assert sorted(r.valve for r in alone) == ["XV-101", "XV-102", "XV-104", "XV-105"]
    assert alone[0].why == ("It hears XV-103 along the pipe; repair that one.",)
    assert "It is the source, 14 dB over its background." in rows[0].why
    assert "The next explanation is 8 dB behind." in rows[0].why


def test_the_sites_own_priority_comes_first(plant: Invented) -> None:
    """14 dB at high consequence before 24 dB at low: `[alarms.priority]` says so."""
    scenes = {"A": louder(24.0), "B": louder(14.0)}
    assert to_repair(listed(plant, scenes, A="low", B="high")) == ["XV-203", "XV-103"]
    assert to_repair(listed(plant, scenes)) == ["XV-103", "XV-203"]
    assert priority_of(PrioritySettings(), "high", 14.0) == "high"
    assert priority_of(PrioritySettings(), "low", 24.0) == "medium"


def test_then_worth_then_growth_then_rise(plant: Invented) -> None:
    scenes = {"A": louder(19.0), "B": louder(14.0), "C": louder(13.0)}
    assert to_repair(listed(plant, scenes)) == ["XV-103", "XV-203", "XV-303"]
    growing = Known(START_US, trend_db_per_day={"XV-203": 0.1, "XV-303": 0.8})
    assert to_repair(listed(plant, scenes, growing)) == ["XV-303", "XV-103", "XV-203"]
    worth = {
        "XV-203": Brief((-900.0, -1.0), "It loses 3 kg/h.", True),
        "XV-303": Brief((float("inf"), -30.0), "Its rate is not known: a calibration point.", False),
    }
    rows = listed(plant, scenes, replace(growing, worth=worth))
    assert to_repair(rows) == ["XV-203", "XV-303", "XV-103"]
    assert "It loses 3 kg/h." in rows[0].why
    assert {"Growing by 0.8 dB a day.", "Its rate is not known: a calibration point."} <= set(rows[1].why)


def test_what_is_in_doubt_is_not_to_be_repaired(plant: Invented) -> None:
    rows = listed(plant, {"A": CONTESTED, "B": OUTSIDE, "C": DEAD})
    assert to_repair(rows) == []
    deeds = {r.valve: r.deed for r in rows}
    assert (deeds["XV-103"], deeds["XV-104"]) == (Deed.CHECK_BY_HAND, Deed.CHECK_BY_HAND)
    assert deeds["XV-202"] is Deed.LEAVE_ALONE
    assert not any(valve.startswith("XV-3") for valve in deeds)


def test_a_valve_whose_check_runs_waits(plant: Invented) -> None:
    [row, *_] = listed(plant, {"A": PASSING}, Known(START_US, checks={"XV-103": "holding 12 of 30 min"}))
    assert (row.valve, row.deed) == ("XV-103", Deed.WAIT)
    assert "holding 12 of 30 min" in row.why[0]


def test_a_leak_that_cannot_be_tested_now_is_not_forgotten(plant: Invented) -> None:
    [row] = listed(plant, {"C": DEAD}, Known(START_US, since_us={"XV-303": START_US - HOUR_US}))
    assert (row.deed, row.why) == (Deed.WAIT, ("It was passing and cannot be tested now: sensor fault.",))


@pytest.mark.parametrize("slope", [-1.0, 0.0, 0.7])
def test_the_trend_is_the_median_slope_of_the_hours(plant: Invented, slope: float) -> None:
    """Also when one hour is far off; the median of pairwise slopes (Theil 1950, Sen 1968) does not mind."""
    rng = np.random.default_rng(3)
    hours = 30
    for hour in range(hours):
        off = 15.0 if hour == 11 else float(rng.normal(0, 0.05))
        scene = louder(14.0 + slope * hour / 24 + off)
        plant.tick({"A": scene}, START_US + hour * HOUR_US)
    channel = plant.register.valves["XV-103"]
    found = trend_db_per_day(plant.reader, channel, START_US + hours * HOUR_US)
    assert found == pytest.approx(slope, abs=0.1)
    assert trend_db_per_day(plant.reader, plant.register.valves["XV-101"], START_US + hours * HOUR_US) is None


def repair(plant: Invented, valve: str, minute: int, amount: str | None = None, group: str = "A") -> None:
    """A leak of half an hour in a group, repaired and proved."""
    for at in range(90):
        scene = PASSING if at < 30 else QUIET
        plant.tick({group: scene}, START_US + (minute + at) * MINUTE_US)
    plant.clock.at_us = START_US + (minute + 90) * MINUTE_US
    cost = None if amount is None else Cost(Decimal(amount), "EUR")
    at_us = START_US + (minute + 30) * MINUTE_US
    plant.desk.record_repair(Repair(valve, at_us, Work.SEAT_LAPPED, "Ola", "", cost))
    plant.desk.follow_up()


def saved(plant: Invented):  # type: ignore[no-untyped-def]
    return spared(standing(plant.desk.book.repairs()), plant.desk.book.outcomes(), 6.0)


def test_nothing_is_claimed_before_a_repair_has_proved_tight(plant: Invented) -> None:
    assert "nothing can be said" in saved(plant).sentence


def test_spared_valves_are_counted_and_money_only_said_where_costs_are(plant: Invented) -> None:
    """Before the repair XV-102 and XV-104 read 9.1 and 8.2 dB over their backgrounds, the others under 6."""
    repair(plant, "XV-103", 0)
    found = saved(plant)
    assert [valve for _, valve in found.neighbours] == ["XV-102", "XV-104"]
    assert found.saved is None
    assert "2 other valves" in found.sentence
    assert "no repair has a cost yet" in found.sentence


def test_money_is_the_count_times_the_sites_own_usual_cost(plant: Invented) -> None:
    for i, amount in enumerate(("1000", "1200", "5000")):
        repair(plant, "XV-103", 200 * i, amount)
    found = saved(plant)
    assert (found.repairs, len(found.neighbours), found.costed) == (3, 6, 3)
    assert str(found.usual) == "1\u202f200.00 EUR"
    assert found.saved == Cost(Decimal("7200.00"), "EUR")


def test_a_neighbour_that_was_repaired_too_was_not_spared(plant: Invented) -> None:
    plant.clock.at_us = START_US + HOUR_US
    plant.desk.record_repair(Repair("XV-102", START_US + 20 * MINUTE_US, Work.SEAT_LAPPED, "Ola"))
    repair(plant, "XV-103", 0)
    assert [valve for _, valve in saved(plant).neighbours] == ["XV-104"]


def test_the_list_by_api(plant: Invented) -> None:
    plant.tick(dict.fromkeys(GROUPS, QUIET) | {"B": PASSING})
    plant.raise_alarm("XV-203", ago_min=120)
    with TestClient(create_app(plant.context)) as client:
        found = client.get("/api/v1/repair-list").json()
    first = found["rows"][0]
    assert (first["valve"], first["deed"], first["priority"]) == ("XV-203", "repair", "medium")
    assert first["since"] == "2026-03-01T00:00:00Z"
    assert "Passing for 2 h." in first["why"]
    assert "Its rate is not known" in first["worth"]
    assert found["spared"]["saved"] is None
