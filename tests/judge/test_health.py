"""Sensor faults told apart from leaks, through the whole engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hissmark.engine.change import BaselineStep, baseline_change, clock_told
from hissmark.judge.verdicts import Reason, SensorHealth, Verdict
from support.rig import QUICK, Rig, learned_rig, row_of_valves, with_settings

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 24.0}


@pytest.fixture
def rig() -> Rig:
    return learned_rig(row_of_valves(4), BASE)


def without(name: str) -> dict[str, float]:
    return {k: v for k, v in BASE.items() if k != name}


def test_well_while_all_is_well(rig: Rig) -> None:
    rig.run(6 * 3600, BASE)
    assert set(rig.last.health.tolist()) == {SensorHealth.WELL}
    assert rig.journal == []


def test_silent_is_said_after_the_delay_and_over_with_the_first_window(rig: Rig) -> None:
    rig.run(3 * 3600, without("AE-2"), every_s=60.0)
    assert rig.health("XV-2") is SensorHealth.SILENT
    assert rig.reason("XV-2") is Reason.NO_FRESH_DATA
    assert rig.journal == [], "a gap in the radio: not testable, and nobody has to go there"
    rig.run(2 * 3600, without("AE-2"), every_s=60.0)
    assert rig.events("XV-2", "sensor-fault") == ["raised"]
    rig.run(3600, BASE)
    assert rig.health("XV-2") is SensorHealth.WELL
    assert rig.events("XV-2", "sensor-fault") == ["raised", "cleared"]


def test_a_short_gap_is_no_fault(rig: Rig) -> None:
    rig.run(600, without("AE-2")).run(3600, BASE)
    assert rig.journal == []


def test_stuck_at_one_value(rig: Rig) -> None:
    """A living signal is never twice the same for hours."""
    samples = rig.samples()
    t = np.arange(rig.now_s, rig.now_s + 8 * 3600, 10.0)
    samples.add("AE-2", t, 25.0)
    frozen = samples.batch()
    rig.noise_db = 0.4
    other = rig.samples()
    for name in ("AE-1", "AE-3", "AE-4"):
        other.add(name, t, BASE[name] + rig.rng.normal(0, 0.4, len(t)))
    other.series += [frozen.series]
    other.time_us += [frozen.time_us]
    other.value += [frozen.value]
    rig.feed(other.batch())
    assert rig.health("XV-2") is SensorHealth.STUCK
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.NOT_TESTABLE, Reason.SENSOR_FAULT)
    assert rig.events("XV-2", "sensor-fault") == ["raised"]


def test_loose_hears_less_than_its_background(rig: Rig) -> None:
    rig.run(4 * 3600, {**BASE, "AE-3": 9.0})
    assert rig.health("XV-3") is SensorHealth.LOOSE
    assert rig.reason("XV-3") is Reason.SENSOR_FAULT
    assert rig.events("XV-3", "sensor-fault") == ["raised"]
    assert {rig.verdict(v) for v in ("XV-1", "XV-2", "XV-4")} == {Verdict.QUIET}


def test_noisy_jumps_up_and_down(rig: Rig) -> None:
    def jumping(t: np.ndarray) -> np.ndarray:
        return 21.0 + np.where((t // 10) % 2 == 1, 25.0, 0.0)

    rig.run(4 * 3600, {**BASE, "AE-3": jumping})
    assert rig.health("XV-3") is SensorHealth.NOISY
    assert rig.events("XV-3", "sensor-fault") == ["raised"]


def test_a_fault_names_no_leak_and_is_of_low_priority(rig: Rig) -> None:
    rig.run(4 * 3600, {**BASE, "AE-3": 9.0})
    assert {(e.alarm, e.priority) for e in rig.journal} == {("sensor-fault", "low")}
    assert all("loose" in e.reason for e in rig.journal)


def test_a_fault_goes_when_the_sensor_is_heard_as_before(rig: Rig) -> None:
    rig.run(4 * 3600, {**BASE, "AE-3": 9.0}).run(6 * 3600, BASE)
    assert rig.health("XV-3") is SensorHealth.WELL
    assert rig.events("XV-3", "sensor-fault") == ["raised", "cleared"]
    assert rig.verdict("XV-3") is Verdict.QUIET


APART = {"AE-1": 22.0, "AE-2": 30.0, "AE-3": 25.0, "AE-4": 24.0}
CHANGED_OVER = {**APART, "AE-1": APART["AE-2"], "AE-2": APART["AE-1"]}


def test_two_cables_changed_over_are_said_of_both() -> None:
    rig = learned_rig(row_of_valves(4), APART).run(5 * 3600, CHANGED_OVER, every_s=60.0)
    assert {rig.health(v) for v in ("XV-1", "XV-2")} == {SensorHealth.SWAPPED}
    assert {rig.health(v) for v in ("XV-3", "XV-4")} == {SensorHealth.WELL}
    assert [e.reason for e in rig.journal] == ["the sensor is swapped"] * 2


def test_where_others_move_too_a_pair_that_mirrors_is_chance() -> None:
    """An operating condition not known yet: who changes cables over leaves all others as they were."""
    rig = learned_rig(row_of_valves(4), APART)
    rig.run(5 * 3600, {**CHANGED_OVER, "AE-4": APART["AE-4"] + 5.0}, every_s=60.0)
    assert SensorHealth.SWAPPED not in {rig.health(f"XV-{i}") for i in range(1, 5)}


def test_a_leak_is_not_taken_for_a_fault(rig: Rig) -> None:
    rig.run(8 * 3600, {"AE-1": 34.0, "AE-2": 55.0, "AE-3": 43.0, "AE-4": 31.0})
    assert rig.health("XV-2") is SensorHealth.WELL
    assert rig.events("XV-2") == ["raised"]
    assert not [e for e in rig.journal if e.alarm == "sensor-fault"]


def test_a_whole_plant_that_falls_quiet_has_no_loose_sensor(rig: Rig) -> None:
    """Shut-down: every channel loses its background alike."""
    rig.run(6 * 3600, {name: level - 9.0 for name, level in BASE.items()})
    assert not [e for e in rig.journal if "loose" in e.reason]


def test_a_faulty_sensor_is_left_out_and_the_leak_beside_it_is_named(rig: Rig) -> None:
    rig.run(4 * 3600, {**BASE, "AE-3": 9.0})
    rig.run(4 * 3600, {"AE-1": 34.0, "AE-2": 55.0, "AE-3": 9.0, "AE-4": 31.0})
    assert rig.verdict("XV-2") is Verdict.PASSING
    assert rig.events("XV-2") == ["raised"]


@pytest.mark.parametrize(
    "every_s",
    [pytest.param(600.0, marks=pytest.mark.slow), pytest.param(1800.0, marks=pytest.mark.slow), 3600.0],
)
def test_a_leak_heard_by_slow_sensors_is_one_alarm_and_no_fault(every_s: float) -> None:
    """The step from background to leak spreads a window of hours; nobody is silent before a second sample."""
    rig = Rig(row_of_valves(4), with_settings(signal={"tick_s": 300}))
    rig.run(24 * 3600, BASE, every_s=every_s)
    rig.run(24 * 3600, {"AE-1": 44.0, "AE-2": 61.0, "AE-3": 44.0, "AE-4": 36.0}, every_s=every_s)
    rig.run(24 * 3600, BASE, every_s=every_s)
    assert rig.story() == [("XV-2", "passing", "raised"), ("XV-2", "passing", "cleared")]


def test_a_slow_sensor_that_jumps_up_and_down_is_noisy() -> None:
    def jumping(t: np.ndarray) -> np.ndarray:
        return 21.0 + np.where((t // 3600) % 2 == 1, 25.0, 0.0)

    rig = Rig(row_of_valves(4), with_settings(signal={"tick_s": 300})).run(24 * 3600, BASE, every_s=3600.0)
    rig.run(16 * 3600, {**BASE, "AE-3": jumping}, every_s=3600.0)
    assert rig.health("XV-3") is SensorHealth.NOISY


def test_a_sensor_heard_once_and_never_again_is_silent_in_the_end() -> None:
    rig = Rig(row_of_valves(4), QUICK)
    samples = rig.samples().add("AE-2", 0.0, 25.0)
    rig.feed(samples.batch())
    rig.run(2 * 3600, without("AE-2"))
    assert rig.events("XV-2", "sensor-fault") == []
    assert rig.reason("XV-2") is Reason.NO_FRESH_DATA
    rig.run(3 * 3600, without("AE-2"), every_s=60.0)
    assert rig.health("XV-2") is SensorHealth.SILENT
    assert rig.events("XV-2", "sensor-fault") == ["raised"]


DAY_S = 86_400.0


def creeping(
    rig: Rig, days: float, db_per_day: dict[str, float], process: dict[str, float] | None = None
) -> Rig:
    """The backgrounds move slowly."""
    start_s = rig.now_s

    def moving(name: str, rate: float) -> Callable[[np.ndarray], np.ndarray]:
        return lambda t: BASE[name] + rate * (t - start_s) / DAY_S

    levels = {name: moving(name, db_per_day.get(name, 0.0)) for name in BASE}
    return rig.run(days * DAY_S, levels, process, every_s=300.0)


FOLLOWING = with_settings(
    baseline={"follow_s": 86_400}, signal={"tick_s": 600, "window_s": 3600, "stale_s": 1800, "slot_s": 60}
)
"""Backgrounds that follow within a day, so that a drift stays unremarkable until it meets its bound."""


def following(**more: Any) -> Rig:
    """Days are long: one sample in five minutes, one tick in ten."""
    process = more.pop("process", None)
    rig = Rig(row_of_valves(4, **more), FOLLOWING)
    return rig.run(12 * 3600, dict(BASE), process, every_s=300.0)


def test_a_sensor_that_hears_less_day_by_day_drifts() -> None:
    rig = following()
    creeping(rig, 12.0, {"AE-2": -0.4})
    assert rig.health("XV-2") is SensorHealth.DRIFTING
    assert rig.reason("XV-2") is Reason.SENSOR_FAULT
    assert [e.reason for e in rig.journal if e.event == "raised"] == ["the sensor is drifting"]
    assert {rig.verdict(v) for v in ("XV-1", "XV-3", "XV-4")} == {Verdict.QUIET}


def test_a_group_that_changes_together_does_not_drift() -> None:
    rig = following()
    creeping(rig, 12.0, dict.fromkeys(BASE, -0.4))
    assert set(rig.last.health.tolist()) == {SensorHealth.WELL}


@pytest.mark.parametrize(
    ("difference_bar", "health"), [(30.0, SensorHealth.WELL), (0.1, SensorHealth.DRIFTING)]
)
def test_upwards_it_drifts_only_where_nothing_can_leak(difference_bar: float, health: SensorHealth) -> None:
    """Under pressure difference a level that creeps up may be a leak that grows: the judgement goes on."""
    tested = {"upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
    under = {"PT-1": 40.0, "PT-2": 10.0}
    rig = following(**tested, process=under)
    creeping(rig, 9.0, {"AE-2": 0.4}, under)
    assert rig.health("XV-2") is SensorHealth.WELL
    louder = {**BASE, "AE-2": BASE["AE-2"] + 3.6}
    rig.run(10 * 3600, louder, {"PT-1": 10.0 + difference_bar, "PT-2": 10.0}, every_s=300.0)
    assert rig.health("XV-2") is health


def test_a_baseline_approved_or_learned_anew_ends_the_drift() -> None:
    rig = following()
    creeping(rig, 12.0, {"AE-2": -0.4})
    step = baseline_change(BaselineStep.RELEARN, "XV-2", "Ada", "new sensor")
    rig.engine.change(rig.engine.admit(step))
    rig.run(DAY_S, {**BASE, "AE-2": BASE["AE-2"] - 4.8}, every_s=300.0)
    assert rig.health("XV-2") is SensorHealth.WELL
    assert rig.verdict("XV-2") is Verdict.QUIET


def test_a_clock_told_wrong_takes_the_channel_out_and_back() -> None:
    rig = learned_rig(row_of_valves(4), BASE)
    for number, wrong in enumerate((True, False), 1):
        told = clock_told("AE-2", wrong, 900.0, "15 min ahead of its neighbours", "hissmark")
        rig.engine.change(replace(rig.engine.admit(told), id=number))
        rig.run(3600, BASE)
        assert rig.health("XV-2") is (SensorHealth.CLOCK_WRONG if wrong else SensorHealth.WELL)
        assert rig.verdict("XV-2") is (Verdict.NOT_TESTABLE if wrong else Verdict.QUIET)
        assert {rig.verdict(v) for v in ("XV-1", "XV-3", "XV-4")} == {Verdict.QUIET}
    assert rig.events("XV-2", "sensor-fault") == ["raised", "cleared"]
    assert rig.journal[0].priority == "low"


def test_a_group_that_is_quieter_for_a_while_has_no_loose_sensors() -> None:
    """An operating condition takes several channels, though not all alike."""
    rig = learned_rig(row_of_valves(4), BASE)
    rig.run(8 * 3600, {**BASE, "AE-2": 13.0, "AE-3": 14.5})
    assert rig.events("XV-2", "sensor-fault") == rig.events("XV-3", "sensor-fault") == []


def test_what_came_back_by_itself_has_to_last_longer_the_next_time() -> None:
    """One channel falls for hours and is back: a fan switched off beside it, no sensor that fell off."""
    rig = learned_rig(row_of_valves(4), BASE, settings=with_settings(signal={"tick_s": 300}))
    for _ in range(3):
        rig.run(5 * 3600, {**BASE, "AE-2": 12.0}, every_s=60.0).run(5 * 3600, BASE, every_s=60.0)
    assert rig.events("XV-2", "sensor-fault") == ["raised", "cleared"]
    rig.run(10 * 3600, {**BASE, "AE-2": 12.0}, every_s=60.0)
    assert rig.health("XV-2") is SensorHealth.LOOSE


def test_a_steam_trap_is_no_noisy_sensor() -> None:
    """Twenty decibels for a quarter of the time: the floor stays (common practice, no source)."""

    def trap(t: np.ndarray) -> np.ndarray:
        return BASE["AE-2"] + np.where(t % 480.0 < 120.0, 20.0, 0.0)

    rig = learned_rig(row_of_valves(4), BASE).run(6 * 3600, {**BASE, "AE-2": trap}, every_s=60.0)
    assert not [e for e in rig.journal if e.alarm == "sensor-fault"]


def test_a_stuck_sensor_of_which_samples_are_lost_is_said_once() -> None:
    rig = learned_rig(row_of_valves(4), BASE)
    t = np.arange(rig.now_s, rig.now_s + 12 * 3600, 60.0)
    samples = rig.samples().add("AE-2", t[rig.rng.random(len(t)) > 0.1], 25.0)
    for name in ("AE-1", "AE-3", "AE-4"):
        samples.add(name, t, BASE[name] + rig.rng.normal(0, 0.4, len(t)))
    rig.feed(samples.batch())
    assert rig.health("XV-2") is SensorHealth.STUCK
    assert rig.events("XV-2", "sensor-fault") == ["raised"]
