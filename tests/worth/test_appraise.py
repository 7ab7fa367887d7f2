"""The worth of a valve out of history, measured leaks and assumptions."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hissmark.appraise.appraiser import Worth
from hissmark.appraise.points import PointError, new_point, withdrawal
from hissmark.appraise.shapes import brief, sentence, worth_shape
from hissmark.engine.register import Channel, Register
from hissmark.store.calibrations import Assumption, Calibration, standing
from hissmark.worth.prediction import Status
from support.invented import MINUTE_US, OUTSIDE, PASSING, QUIET, START_US, Invented, register_of

XV = "XV-103"
HOUR_US = 60 * MINUTE_US


class Plant(Invented):
    """An invented plant of which natural gas leaks are known."""

    def assume(self, name: str, text: str, valve: str | None = None) -> None:
        self.worth.assume(Assumption(name, text, valve, "A. Weaver", "list of prices"))

    def measure(self, leak: str, at_us: int = START_US, valve: str = XV, **typed: str) -> Calibration:
        channel = self.register.valves[valve]
        knowledge = self.worth.appraiser.knowledge()
        given = {"leak": leak, "uncertainty": "10 %", **typed}
        return self.worth.add(new_point(channel, at_us, given, "A. Weaver", "survey", knowledge, self.reader))

    def of(self, valve: str = XV, at_us: int | None = None, known_us: int | None = None) -> Worth:
        return self.worth.appraiser.worth_of(valve, at_us, known_us=known_us)


def sized(register: Register) -> Register:
    return Register.of(
        replace(c, size_mm=100.0, valve_type="ball") if c.valve else c for c in register.channels
    )


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    """An hour in which XV-103 passes, at 31 over 0.3 bar; fluid and price known."""
    made = Plant(tmp_path, sized(register_of({"North": 5})))
    made.hear(["PT-101"], START_US - HOUR_US + 1, value=31.0)
    made.hear(["PT-102"], START_US - HOUR_US + 1, value=0.3)
    for k in range(60, -1, -1):
        made.tick({"North": PASSING}, START_US - k * MINUTE_US)
    made.assume("fluid", "natural gas")
    made.assume("price", "0.45 EUR/kg")
    yield made
    made.close()


def test_without_a_measured_leak_there_is_no_number(plant: Plant) -> None:
    """Nothing is made up; what is missing is said, and the level still ranks it before its quiet
    neighbours.
    """
    found = plant.of()
    shape = worth_shape(found)
    assert found.estimate.status is Status.NO_CALIBRATION
    assert (shape["rate_kg_h"], shape["loss"], shape["emissions"], shape["total"]) == (None,) * 4
    assert shape["classes"] == []
    assert "measured" in shape["needs"]
    assert brief(found) == ""
    assert plant.worth.appraiser.worth_of_all()[0].valve == XV


def test_one_measured_leak_is_given_back(plant: Plant) -> None:
    plant.measure("3.2 kg/h")
    found = plant.of().estimate
    assert found.status is Status.ESTIMATED
    assert found.rate_kg_s is not None
    assert found.rate_kg_s.middle * 3600 == pytest.approx(3.2, rel=0.01)
    assert found.rate_kg_s.low * 3600 < 2.5
    assert found.rate_kg_s.high * 3600 > 4.0


def test_three_measured_leaks_narrow_the_interval(plant: Plant) -> None:
    def width() -> float:
        rate = plant.of().estimate.rate_kg_s
        assert rate is not None
        return rate.high / rate.low

    plant.measure("3.2 kg/h")
    one = width()
    plant.measure("3.1 kg/h", START_US - 20 * MINUTE_US)
    plant.measure("3.3 kg/h", START_US - 40 * MINUTE_US)
    assert width() < 0.9 * one


def test_money_energy_and_emissions_follow_the_rate(plant: Plant) -> None:
    """By hand: 0.45 EUR/kg, 8000 h; 48 MJ/kg; 90 % methane times 29.8 and 1 % CO2 (values of the manual)."""
    plant.assume("hours", "8000 h")
    plant.assume("repair", "2400 EUR")
    plant.measure("3.2 kg/h")
    found = plant.of()
    assert found.loss is not None
    assert found.emissions is not None
    kg_h = found.loss.kg_h.middle
    assert found.loss.money_year is not None
    assert found.loss.money_year.middle == pytest.approx(kg_h * 8000 * 0.45)
    assert found.loss.kwh_h is not None
    assert found.loss.kwh_h.middle == pytest.approx(kg_h * 48 / 3.6)
    assert found.loss.pay_back_days is not None
    assert found.loss.pay_back_days.middle == pytest.approx(2400 * 365 / found.loss.money_year.middle)
    assert found.loss.pay_back_days.high == pytest.approx(2400 * 365 / found.loss.money_year.low)
    assert found.emissions.equivalent_kg_year.middle == pytest.approx(kg_h * 8000 * (0.9 * 29.8 + 0.01))


def test_assumptions_of_the_valve_go_before_those_of_the_site(plant: Plant) -> None:
    plant.measure("3.2 kg/h")
    plant.assume("price", "1.00 EUR/kg", XV)
    assert plant.of().assumed.price_kg(plant.of().medium, None) == 1.0  # type: ignore[arg-type]
    plant.assume("price", "", XV)
    assert plant.of().assumed.price_kg(plant.of().medium, None) == 0.45  # type: ignore[arg-type]


def test_every_number_can_be_traced(plant: Plant) -> None:
    """Each figure of the sentence stands in a step that says how it came about; inputs are named with who
    and when.
    """
    plant.measure("3.2 kg/h")
    shape = worth_shape(plant.of())
    steps = {s["what"]: s for s in shape["trace"]}
    wanted = {"leak alone", "pressure before it", "pressure behind it", "sound power per flow", "rate"}
    assert wanted | {"rate per level", "scatter about it", "a year", "loss a year"} <= set(steps)
    assert all(s["value"] and s["how"] for s in shape["trace"])
    assert "PT-101" in steps["pressure before it"]["how"]
    assert "0.45 EUR/kg (stated for the site by A. Weaver" in steps["loss an hour"]["how"]
    assert "IPCC AR6" in steps["CO2 equivalent a year"]["how"]
    assert any(what.startswith("measured leak") and "A. Weaver" in s["how"] for what, s in steps.items())


def test_numbers_never_stand_without_their_interval(plant: Plant) -> None:
    plant.measure("3.2 kg/h")
    said = sentence(plant.of())
    assert "3.2 kg/h" in said
    assert "90 %" in said
    assert "from 1 measured leak)" in said
    assert " to " in brief(plant.of())


def test_seat_classes_with_probabilities(plant: Plant) -> None:
    """3 kg/h of gas at 31 bar is far above class VI of DN 100 and below ISO 5208 rate G."""
    plant.measure("3.2 kg/h")
    rows = {c.allowed.name: c for c in plant.of().classes}
    above = {name: c.probability_above for name, c in rows.items()}
    assert above["VI"] is not None
    assert above["VI"] > 0.99
    assert above["rate A"] == 1.0
    ordered = [above[f"rate {n}"] for n in ("B", "C", "CC", "D", "E", "EE", "F", "G")]
    assert ordered == sorted(ordered, reverse=True)  # type: ignore[type-var]
    assert above["IV"] is None
    assert "Kv" in rows["IV"].allowed.needs
    plant.assume("flow coefficient", "Kv 250", XV)
    assert {c.allowed.name: c for c in plant.of().classes}["IV"].probability_above is not None


def test_lost_since_it_began(plant: Plant) -> None:
    """12 minutes at a steady level: the sum is rate times time, low, middle and high."""
    plant.measure("3.2 kg/h")
    plant.raise_alarm(XV)
    found = plant.of()
    assert found.total is not None
    assert found.estimate.rate_kg_s is not None
    assert found.total.passed_h == pytest.approx(0.2)
    assert found.total.heard_h == pytest.approx(0.2)
    for name in ("low", "middle", "high"):
        per_s = getattr(found.estimate.rate_kg_s, name)
        assert getattr(found.total.mass_kg, name) == pytest.approx(per_s * 720, rel=0.02)


def test_time_without_data_is_told_not_filled_in(tmp_path: Path) -> None:
    made = Plant(tmp_path, sized(register_of({"North": 5})))
    made.assume("fluid", "natural gas")
    for k in (*range(120, 60, -1), *range(10, -1, -1)):
        made.tick({"North": PASSING}, START_US - k * MINUTE_US)
    made.measure("3.2 kg/h")
    made.raise_alarm(XV, ago_min=100)
    found = made.of().total
    assert found is not None
    assert found.passed_h == pytest.approx(100 / 60, rel=0.01)
    assert found.heard_h == pytest.approx(51 / 60, rel=0.05)
    made.close()


def test_a_valve_that_hears_its_neighbour_gets_an_upper_limit_only(plant: Plant) -> None:
    plant.measure("2 kg/h", valve="XV-102", level="33.0 dB")
    found = plant.of("XV-102")
    assert found.estimate.status is Status.AT_MOST
    assert found.loss is None
    shape = worth_shape(found)
    assert shape["rate_kg_h"] is not None
    assert shape["rate_kg_h"]["middle"] is None
    assert "At most" in shape["sentence"]


def test_level_of_spill_or_noise_is_no_point(plant: Plant) -> None:
    with pytest.raises(PointError, match="not the source"):
        plant.measure("2 kg/h", valve="XV-102")


def test_no_level_no_point(plant: Plant) -> None:
    with pytest.raises(PointError, match="history has 0 levels"):
        plant.measure("2 kg/h", START_US - 50 * HOUR_US)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"leak": "0 kg/h"}, "more than nothing"), ({"leak": "7 dogs"}, "no flow"), ({"leak": ""}, "needs"),
        ({"upstream": "7 bar"}, "7 barg or 7 bara"), ({"fluid": "treacle"}, "no fluid"),
        ({"level": "loud"}, "no level"), ({"uncertainty": "500 %"}, "cannot be"),
        ({"colour": "red"}, "colour"),
        ({"method": "by nose"}, "no way of measuring"), ({"upstream": "0 barg"}, "pressure difference"),
    ],
)  # fmt: skip
def test_slips_are_told_in_words(plant: Plant, typed: dict[str, str], said: str) -> None:
    with pytest.raises(PointError, match=said):
        plant.measure(**{"leak": "3 kg/h", **typed})
    assert plant.reader.calibrations() == []


def test_superseded_and_withdrawn_points_stay_on_record(plant: Plant) -> None:
    first = plant.measure("3.2 kg/h")
    second = plant.worth.add(replace(first, rate_kg_s=2e-3), supersedes=first.id)
    assert [r.id for r in standing(plant.reader.calibrations())] == [second.id]
    plant.worth.add(withdrawal(second, "A. Weaver", "bypass was open"), supersedes=second.id)
    assert standing(plant.reader.calibrations()) == []
    assert len(plant.reader.calibrations()) == 3
    assert plant.of().estimate.status is Status.NO_CALIBRATION


def test_what_was_known_then_can_be_asked(plant: Plant) -> None:
    """A point recorded later reaches back, unless one asks for what was known."""
    before_us = plant.clock.now_us()
    plant.clock.at_us += MINUTE_US
    plant.measure("3.2 kg/h")
    then_us = START_US - 10 * MINUTE_US
    assert plant.of(at_us=then_us).estimate.status is Status.ESTIMATED
    assert plant.of(at_us=then_us, known_us=before_us).estimate.status is Status.NO_CALIBRATION


def test_another_fluid_widens_and_another_phase_refuses(plant: Plant) -> None:
    plant.measure("3.2 kg/h")
    own = plant.of().estimate
    plant.assume("fluid", "nitrogen", XV)
    other = plant.of().estimate
    assert other.status is Status.ESTIMATED
    assert other.rate_kg_s is not None
    assert own.rate_kg_s is not None
    assert other.rate_kg_s.high / other.rate_kg_s.low > own.rate_kg_s.high / own.rate_kg_s.low
    assert "natural gas, not nitrogen" in " ".join(other.notes)
    plant.assume("fluid", "water", XV)
    refused = plant.of().estimate
    assert refused.status is Status.OTHER_FLUID
    assert refused.rate_kg_s is None


def test_far_from_every_point_there_is_no_answer(plant: Plant) -> None:
    plant.measure("3.2 kg/h", level="60 dB")
    assert plant.of().estimate.status is Status.OUT_OF_RANGE


def test_outside_the_points_it_is_said(plant: Plant) -> None:
    plant.measure("3.2 kg/h", level="45 dB")
    found = plant.of().estimate
    assert found.status is Status.ESTIMATED
    assert "outside the measured leaks" in " ".join(found.notes)


def test_no_pressure_difference_no_leak(plant: Plant) -> None:
    plant.measure("3.2 kg/h")
    plant.hear(["PT-101", "PT-102"], START_US, value=5.0)
    assert plant.of().estimate.status is Status.NO_DIFFERENCE


def test_similar_valves_share_their_slope_not_their_level(plant: Plant) -> None:
    """Three points of another ball valve at other levels leave this one's single point where it is."""
    plant.measure("3.2 kg/h")
    alone = plant.of().estimate.rate_kg_s
    for level, leak in (("50 dB", "1 kg/h"), ("55 dB", "3.2 kg/h"), ("60 dB", "10 kg/h")):
        plant.measure(leak, valve="XV-101", level=level)
    together = plant.of()
    assert together.fitted.fit is not None
    assert len(together.fitted.fit.points) == 4
    assert alone is not None
    assert together.estimate.rate_kg_s is not None
    assert together.estimate.rate_kg_s.middle == pytest.approx(alone.middle, rel=0.02)


def test_valves_are_ranked_by_what_they_lose(tmp_path: Path) -> None:
    made = Plant(tmp_path, sized(register_of({"North": 5, "South yard": 5, "East": 5})))
    made.assume("fluid", "natural gas")
    made.assume("price", "0.45 EUR/kg")
    for k in range(20, -1, -1):
        scenes = {"North": PASSING, "South yard": PASSING, "East": QUIET}
        made.tick(scenes, START_US - k * MINUTE_US)
    made.measure("1 kg/h", valve="XV-103")
    made.measure("5 kg/h", valve="XV-203")
    found = [w.valve for w in made.worth.appraiser.worth_of_all()]
    assert found[:2] == ["XV-203", "XV-103"]
    made.close()


def test_noise_from_outside_is_no_leak(tmp_path: Path) -> None:
    made = Plant(tmp_path, sized(register_of({"North": 5})))
    made.assume("fluid", "natural gas")
    made.measure("3.2 kg/h", level="37 dB")
    made.tick({"North": OUTSIDE})
    found = made.of("XV-103").estimate
    assert found.status is Status.AT_MOST
    assert math.isclose(found.rate_kg_s.low, 0.0)  # type: ignore[union-attr]
    made.close()


def test_what_flows_may_stand_in_the_register(tmp_path: Path) -> None:
    rows = [
        replace(c, service="Fuel gas") if isinstance(c, Channel) else c
        for c in register_of({"North": 5}).channels
    ]
    made = Plant(tmp_path, Register.of(rows))
    assert made.of().medium is not None
    assert made.of().medium.name == "natural gas"  # type: ignore[union-attr]
    made.close()
