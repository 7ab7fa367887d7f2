"""When a valve may be judged, and what is said when it may not."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.judge.health import HealthBank
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, Verdict
from support.rig import Rig, learned_rig, reference, row_of_valves, valve

TAGS = {"ZT-1": 0.5, "PT-1": 40.0, "PT-2": 5.0}
BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
LEAK = {"AE-1": 55.0, "AE-2": 43.0, "AE-3": 42.0, "AE-4": 31.0, "AE-5": 30.0}
"""XV-1 passes; about 12 dB are lost from place to place: a plain case (common practice, no source)."""


NOISY = {"AE-1": 62.0, "AE-2": 55.0, "AE-3": 56.0, "AE-4": 49.0, "AE-5": 50.0}


def tagged() -> Rig:
    """XV-1 with position and pressures amid neighbours on sound alone; all learned."""
    first = valve(
        "1", closed_when="ZT-1 < 2", upstream_pressure="PT-1", downstream_pressure="PT-2", position=2
    )
    channels = [
        valve("4", position=0),
        valve("2", position=1),
        first,
        valve("3", position=3),
        valve("5", position=4),
    ]
    return learned_rig(channels, BASE, process=TAGS)


@pytest.fixture
def rig() -> Rig:
    return tagged()


def test_learned_and_calm_is_quiet(rig: Rig) -> None:
    assert set(rig.verdicts().values()) == {"quiet"}
    assert rig.value("XV-1", "difference_bar") == 35.0
    assert rig.journal == []


def test_an_open_valve_is_not_testable_and_its_noise_blames_nobody(rig: Rig) -> None:
    rig.run(3600, NOISY, {**TAGS, "ZT-1": 80.0})
    assert (rig.verdict("XV-1"), rig.reason("XV-1")) == (Verdict.NOT_TESTABLE, Reason.OPEN)
    assert rig.value("XV-1", "open_") == 1
    assert rig.explanation() is Explanation.OPEN_VALVE
    assert rig.verdicts()["XV-2"] == rig.verdicts()["XV-3"] == "outside noise"
    assert rig.journal == []


def test_a_valve_that_closes_is_judged_only_after_the_settling_time(rig: Rig) -> None:
    rig.run(1200, NOISY, {**TAGS, "ZT-1": 80.0})
    rig.run(540, BASE, TAGS)
    assert rig.reason("XV-1") is Reason.JUST_STROKED
    rig.run(1800, BASE, TAGS)
    assert set(rig.verdicts().values()) == {"quiet"}
    assert rig.journal == []


def test_a_stroke_shorter_than_a_tick_is_seen(rig: Rig) -> None:
    """Open for ten seconds between two ticks, closed at both."""
    samples = rig.samples()
    samples.add("ZT-1", rig.now_s + np.array([61.0, 65.0, 71.0]), np.array([0.5, 90.0, 0.5]))
    rig.feed(samples.batch())
    rig.run(300, BASE, TAGS)
    assert rig.reason("XV-1") is Reason.JUST_STROKED


def test_without_pressure_difference_a_valve_is_never_called_quiet(rig: Rig) -> None:
    rig.run(1200, BASE, {**TAGS, "PT-2": 39.5})
    assert (rig.verdict("XV-1"), rig.reason("XV-1")) == (Verdict.NOT_TESTABLE, Reason.NO_PRESSURE_DIFFERENCE)
    assert rig.verdict("XV-2") is Verdict.QUIET


def test_the_direction_of_the_difference_does_not_matter(rig: Rig) -> None:
    rig.run(1200, BASE, {**TAGS, "PT-1": 1.0, "PT-2": 30.0})
    assert rig.verdict("XV-1") is Verdict.QUIET


def test_a_position_or_pressure_never_heard_is_said() -> None:
    base = {name: BASE[name] for name in ("AE-1", "AE-2", "AE-3")}
    channels = [
        valve("1", closed_when="ZT-1 < 2"),
        valve("2", position=1, upstream_pressure="PT-1", downstream_pressure="PT-2"),
        valve("3", position=2),
    ]
    rig = learned_rig(channels, base, process={"PT-1": 30.0})
    assert (rig.verdict("XV-1"), rig.reason("XV-1")) == (Verdict.NOT_TESTABLE, Reason.POSITION_NOT_HEARD)
    assert rig.value("XV-1", "open_") == 2
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.NOT_TESTABLE, Reason.PRESSURE_NOT_HEARD)
    assert rig.verdict("XV-3") is Verdict.QUIET


def test_a_valve_without_tags_is_judged_on_sound_alone() -> None:
    rig = learned_rig(row_of_valves(5), BASE)
    assert set(rig.verdicts().values()) == {"quiet"}
    assert np.isnan(rig.value("XV-1", "difference_bar"))


def test_before_the_baseline_is_learned_nothing_is_judged() -> None:
    rig = Rig(row_of_valves(5)).run(1800, LEAK)
    assert set(rig.verdicts().values()) == {"not testable"}
    assert {rig.reason(f"XV-{i}") for i in (1, 2, 3)} == {Reason.BASELINE_LEARNING}
    assert rig.value("XV-1", "baseline_state") == BaselineState.LEARNING
    assert np.isnan(rig.value("XV-1", "baseline_db"))


def test_what_was_heard_without_test_conditions_is_not_learned() -> None:
    """Open or without pressure difference all the time: after hours still nothing known."""
    first = valve("1", closed_when="ZT-1 < 2")
    second = valve("2", position=1, upstream_pressure="PT-1", downstream_pressure="PT-2")
    rig = Rig([first, second, valve("3", "apart")])
    base = {name: BASE[name] for name in ("AE-1", "AE-2", "AE-3")}
    rig.run(4 * 3600, base, {"ZT-1": 50.0, "PT-1": 5.0, "PT-2": 5.0})
    assert not rig.engine.stepper.baselines.learned[:2].any()
    assert rig.engine.stepper.baselines.learned[2, 0]


def test_a_silent_sensor_has_no_fresh_data_and_the_others_go_on(rig: Rig) -> None:
    rig.run(3600, {k: v for k, v in BASE.items() if k != "AE-2"}, TAGS)
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.NOT_TESTABLE, Reason.NO_FRESH_DATA)
    assert rig.verdicts()["XV-1"] == rig.verdicts()["XV-3"] == "quiet"
    rig.run(1800, BASE, TAGS)
    assert rig.verdict("XV-2") is Verdict.QUIET


def passing_rig() -> Rig:
    rig = tagged()
    rig.run(3600, LEAK, TAGS)
    assert rig.events("XV-1") == ["raised"]
    return rig


@pytest.mark.parametrize(
    "change", [{"PT-2": 39.9}, {"ZT-1": 60.0}], ids=["pressure difference falls", "valve opens"]
)
def test_a_standing_alarm_is_not_cleared_by_the_end_of_the_test(change: dict[str, float]) -> None:
    """No pressure, no hiss: silence then proves nothing about the seat."""
    rig = passing_rig().run(3 * 3600, BASE, {**TAGS, **change})
    assert rig.verdict("XV-1") is Verdict.NOT_TESTABLE
    assert rig.events("XV-1") == ["raised"]


def test_a_standing_alarm_is_not_cleared_by_silence_of_its_sensor() -> None:
    rig = passing_rig().run(3 * 3600, {k: v for k, v in BASE.items() if k != "AE-1"}, TAGS)
    assert rig.reason("XV-1") is Reason.NO_FRESH_DATA
    assert rig.events("XV-1") == ["raised"]


def test_a_leak_that_no_other_sensor_hears_stands_while_its_own_is_in_doubt(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Half an hour in which its sensor is in doubt; the others are too far away to miss the leak."""
    quiet = {f"AE-{i}": 22.0 for i in (1, 2, 3)}
    rig = learned_rig(row_of_valves(3, distance_m=80.0), quiet)
    rig.run(2 * 3600, quiet | {"AE-1": 33.0})
    assert rig.events("XV-1") == ["raised"]
    with monkeypatch.context() as doubt:
        doubt.setattr(HealthBank, "_suspect", lambda self, on, passing: self.suspect.__setitem__(0, True))
        rig.run(1800, quiet | {"AE-1": 33.0})
    rig.run(3600, quiet | {"AE-1": 33.0})
    assert rig.events("XV-1") == ["raised"]
    rig.run(2 * 3600, quiet)
    assert rig.events("XV-1") == ["raised", "cleared"]


def test_it_clears_when_the_pressure_is_back_and_it_is_still_quiet() -> None:
    rig = passing_rig().run(3600, BASE, {**TAGS, "PT-2": 39.9}).run(3600, BASE, TAGS)
    assert rig.events("XV-1") == ["raised", "cleared"]


def test_one_leak_is_one_alarm_that_names_the_source() -> None:
    rig = passing_rig()
    assert [s for s in rig.story() if s[1] == "passing"] == [("XV-1", "passing", "raised")]
    said = rig.verdicts()
    assert said.pop("XV-1") == "passing"
    assert set(said.values()) == {"spill"}
    assert rig.last.source[0] == rig.place("XV-1")


def test_a_reference_point_is_never_blamed() -> None:
    rig = learned_rig([reference("1"), valve("2", position=1)], {"RP-1": 22.0, "AE-2": 22.0})
    rig.run(3 * 3600, {"RP-1": 45.0, "AE-2": 38.0})
    assert not [e for e in rig.journal if e.alarm == "passing"]
    assert rig.verdicts()["XV-2"] != "passing"


@pytest.mark.parametrize("count", [1, 3, 4, 7, 16])
def test_groups_of_any_size_name_their_source(count: int) -> None:
    """10 dB a step along the pipe (common practice, no source), from 55 dB at a valve amid the others."""
    at = count // 2
    names = [f"AE-{i + 1}" for i in range(count)]
    rig = learned_rig(row_of_valves(count), dict.fromkeys(names, 21.0))
    power = [10 ** ((55 - 10 * abs(i - at)) / 10) + 10**2.1 for i in range(count)]
    rig.run(3 * 3600, {n: 10 * np.log10(p) for n, p in zip(names, power, strict=True)})
    passing = [v for v, said in rig.verdicts().items() if said == "passing"]
    assert passing == [f"XV-{at + 1}"]
    assert [(v, e) for v, a, e in rig.story() if a == "passing"] == [(f"XV-{at + 1}", "raised")]


def test_what_is_said_is_never_nan_where_it_is_said_to_be_known(rig: Rig) -> None:
    """Levels, baselines and rises of a judged channel are numbers at every tick; codes always in range."""
    seen = []
    rig.watch = seen.append
    rig.run(1800, LEAK, TAGS).run(1800, BASE, {**TAGS, "ZT-1": 50.0}).run(1800, BASE, TAGS)
    assert len(seen) > 80
    for tick in seen:
        judged = tick.verdict != Verdict.NOT_TESTABLE
        for name in ("level_db", "l50_db", "l10_db", "baseline_db", "scale_db", "rise_db", "expected_db"):
            assert np.isfinite(getattr(tick, name)[judged]).all(), name
        assert np.isfinite(tick.margin_db).all()
        assert np.isfinite(tick.odds).all()
        assert set(tick.verdict.tolist()) <= {int(v) for v in Verdict}
        assert set(tick.reason.tolist()) <= {int(r) for r in Reason}
        assert (tick.l10_db >= tick.l50_db).all()
        assert (tick.l50_db >= tick.level_db).all()
        assert (tick.scale_db[judged] > 0).all()
