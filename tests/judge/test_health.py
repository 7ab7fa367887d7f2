"""Sensor faults told apart from leaks, through the whole engine."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.judge.verdicts import Reason, SensorHealth, Verdict
from support.rig import QUICK, Rig, learned_rig, row_of_valves

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
    rig.run(2 * 3600, without("AE-2"))
    assert rig.health("XV-2") is SensorHealth.SILENT
    assert rig.reason("XV-2") is Reason.NO_FRESH_DATA
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


@pytest.mark.parametrize("every_s", [600.0, 1800.0, 3600.0])
def test_a_leak_heard_by_slow_sensors_is_one_alarm_and_no_fault(every_s: float) -> None:
    """The step from background to leak spreads a window of hours; nobody is silent before a second sample."""
    rig = Rig(row_of_valves(4), QUICK)
    rig.run(24 * 3600, BASE, every_s=every_s)
    rig.run(24 * 3600, {"AE-1": 44.0, "AE-2": 61.0, "AE-3": 44.0, "AE-4": 36.0}, every_s=every_s)
    rig.run(24 * 3600, BASE, every_s=every_s)
    assert rig.story() == [("XV-2", "passing", "raised"), ("XV-2", "passing", "cleared")]


def test_a_slow_sensor_that_jumps_up_and_down_is_noisy() -> None:
    def jumping(t: np.ndarray) -> np.ndarray:
        return 21.0 + np.where((t // 3600) % 2 == 1, 25.0, 0.0)

    rig = Rig(row_of_valves(4), QUICK).run(24 * 3600, BASE, every_s=3600.0)
    rig.run(16 * 3600, {**BASE, "AE-3": jumping}, every_s=3600.0)
    assert rig.health("XV-3") is SensorHealth.NOISY


def test_a_sensor_heard_once_and_never_again_is_silent_in_the_end() -> None:
    rig = Rig(row_of_valves(4), QUICK)
    samples = rig.samples().add("AE-2", 0.0, 25.0)
    rig.feed(samples.batch())
    rig.run(2 * 3600, without("AE-2"))
    assert rig.events("XV-2", "sensor-fault") == []
    assert rig.reason("XV-2") is Reason.NO_FRESH_DATA
    rig.run(2 * 3600, without("AE-2"))
    assert rig.health("XV-2") is SensorHealth.SILENT
    assert rig.events("XV-2", "sensor-fault") == ["raised"]
