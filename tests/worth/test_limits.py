"""Upper bounds and measured leaks out of process tags."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hissmark.appraise.limits import BY_TAGS
from hissmark.appraise.shapes import worth_shape
from hissmark.engine.register import Register
from hissmark.site.load import check_site
from hissmark.store.calibrations import Assumption
from hissmark.worth.bounds import as_hole, line, of_decay, of_flow
from hissmark.worth.flow import State
from hissmark.worth.media import MEDIA, R
from hissmark.worth.prediction import Status
from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented, Scene, register_of

XV = "XV-103"
METHANE = MEDIA["methane"]


def plant_with(tmp_path: Path, scene: Scene = PASSING, **columns: str) -> Invented:
    """An hour and a bit of ticks, in which XV-103 has what `columns` say."""
    register = register_of({"North": 5})
    rows = [replace(c, service="methane", **columns) if c.valve == XV else c for c in register.channels]  # type: ignore[arg-type]
    made = Invented(tmp_path, Register.of(rows))
    for k in range(65, -1, -1):
        made.tick({"North": scene}, START_US - k * MINUTE_US)
        made.hear(["PT-101"], START_US - k * MINUTE_US, value=31.0)
    return made


def test_a_meter_behind_the_valve_calibrates_it(tmp_path: Path) -> None:
    """2 Nm3/h of methane are 1.4317 kg/h (44.615 mol a Nm3); once a day, and it can be traced."""
    made = plant_with(tmp_path, leak_flow="FT-103", leak_flow_unit="Nm3/h")
    for k in range(60):
        made.hear(["FT-103", "PT-102"], START_US - k * MINUTE_US, value=2.0 + 0.02 * (k % 3 - 1))
    made.worth.look()
    made.worth.look()
    rows = made.reader.calibrations()
    assert [(r.valve, r.author) for r in rows] == [(XV, BY_TAGS)]
    assert rows[0].rate_kg_s * 3600 == pytest.approx(2 * 44.615e-3 * 16.0428, rel=1e-3)
    found = made.worth.appraiser.worth_of(XV)
    assert found.estimate.status is Status.ESTIMATED
    shape = worth_shape(found)
    assert shape["bound"] is not None
    assert shape["bound"]["most_kg_h"] == pytest.approx(1.4317, rel=0.01)
    assert any("FT-103" in s["what"] for s in shape["bound"]["steps"])
    made.close()


def test_the_pressure_of_a_closed_volume_calibrates_it(tmp_path: Path) -> None:
    """0.8 m3 that rise by 0.5 bar in an hour took up n = V dp / (R T): 0.263 kg of methane, by hand."""
    made = plant_with(tmp_path, closed_volume="0.8 m3")
    for k in range(61):
        made.hear(["PT-102"], START_US - k * MINUTE_US, value=1.5 - 0.5 * k / 60)
    made.worth.look()
    rows = made.reader.calibrations()
    assert len(rows) == 1
    by_hand = 0.5e5 * 0.8 / (R * 293.15) * METHANE.molar_kg
    assert rows[0].rate_kg_s * 3600 == pytest.approx(by_hand, rel=0.02)
    made.close()


def test_a_quiet_valve_gets_a_bound_and_no_point(tmp_path: Path) -> None:
    made = plant_with(tmp_path, QUIET, leak_flow="FT-103", leak_flow_unit="kg/h")
    for k in range(60):
        made.hear(["FT-103"], START_US - k * MINUTE_US, value=0.3 + 0.01 * (k % 2))
    made.worth.look()
    assert made.reader.calibrations() == []
    shape = worth_shape(made.worth.appraiser.worth_of(XV))
    assert shape["rate_kg_h"] is None
    assert shape["bound"] is not None
    assert 0.3 < shape["bound"]["most_kg_h"] < 0.32
    made.close()


def test_an_opened_valve_bounds_nothing(tmp_path: Path) -> None:
    made = plant_with(tmp_path, leak_flow="FT-103", leak_flow_unit="kg/h")
    opened = replace(PASSING, heard=tuple(replace(h, open=True) for h in PASSING.heard))
    made.tick({"North": opened}, START_US - 10 * MINUTE_US + 1)
    for k in range(60):
        made.hear(["FT-103"], START_US - k * MINUTE_US, value=0.3)
    made.worth.look()
    assert made.reader.calibrations() == []
    assert worth_shape(made.worth.appraiser.worth_of(XV))["bound"] is None
    made.close()


def test_no_tags_no_bound(tmp_path: Path) -> None:
    made = plant_with(tmp_path)
    made.worth.assume(Assumption("fluid", "methane", None, "A", ""))
    assert made.worth.appraiser.worth_of(XV).bound is None
    made.close()


def test_a_slope_that_may_be_none_bounds_nothing() -> None:
    """95 % of series without a slope give no bound: the share that does is the risk of 5 %."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 3600.0, 60.0)
    found = [of_decay("PT", t, 2e5 + rng.normal(0, 500.0, 60), 1.0, 293.15, METHANE) for _ in range(400)]
    assert 0.02 < np.mean([f is not None for f in found]) < 0.09


def test_the_slope_is_that_of_least_squares() -> None:
    """NIST StRD Norris would do; a line by hand: (0,1), (1,3), (2,4): slope 1.5, standard error 0.288675."""
    slope, sd = line(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, 4.0]))
    assert (slope, sd) == (pytest.approx(1.5), pytest.approx(0.2886751))


def test_too_few_values_bound_nothing() -> None:
    assert of_flow("FT", np.array([1.0, 1.0])) is None
    assert of_flow("FT", np.array([np.nan] * 10)) is None
    assert of_flow("FT", np.zeros(10)) is None


def test_the_hole_behind_a_bound_is_told() -> None:
    step = as_hole(1.297719e-3 * 0.61, MEDIA["air"], State(7e5, 101_325.0, 293.15))
    assert float(step.value.removesuffix(" mm across")) == pytest.approx(1.0, rel=2e-3)


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ("FT-1,,", "needs a unit"),
        ("FT-1,bananas,", "is no flow"),
        (",,5 dogs", "is no volume"),
        (",,0.8 m3", "pressure"),
    ],
)
def test_slips_in_the_register_are_told(tmp_path: Path, cells: str, said: str) -> None:
    (tmp_path / "site.toml").write_text('name = "North"\n', "utf-8")
    head = "channel,kind,valve,group,position,leak_flow,leak_flow_unit,closed_volume\n"
    (tmp_path / "register.csv").write_text(f"{head}A,valve,XV-1,g,1,{cells}\nB,valve,XV-2,g,2,,,\n", "utf-8")
    assert any(said in str(p) for p in check_site(tmp_path))
