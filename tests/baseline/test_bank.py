"""Backgrounds as a plant teaches them: how soon, how they follow, and what cannot teach itself in."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from hissmark.engine.settings import CoreSettings
from hissmark.judge.verdicts import BaselineState
from support.rig import START_US, US, Rig, row_of_valves, times, valve, with_settings

DAY_S = 86400.0
HOURLY = with_settings(CoreSettings(), signal={"tick_s": 3600})
SHIPPED = with_settings(CoreSettings(), signal={"tick_s": 300})
"""As shipped but for a coarser tick, so that days pass in seconds."""
A_DAY = with_settings(SHIPPED, baseline={"learn_s": 24 * 3600})
NAMES = [f"AE-{i}" for i in range(1, 6)]


def learned_at_s(cadences_s: list[float], for_s: float, settings: CoreSettings) -> dict[float, float]:
    """When the verdict first stops being `not testable`, for one valve alone at each cadence."""
    channels = [valve(str(i + 1), f"g{i}") for i in range(len(cadences_s))]
    rig = Rig(channels, settings, noise_db=1.0)
    found: dict[float, float] = {}

    def look(tick: object) -> None:
        for i, every in enumerate(cadences_s):
            if i in rig.ticks[-1].groups and rig.verdict(f"XV-{i + 1}").text != "not testable":
                found.setdefault(every, (rig.ticks[-1].at_us - START_US) / US)

    rig.watch = look
    for _ in range(int(for_s // 14_400)):
        rig.run(14_400, {c.source: 22.0 for c in channels}, every_s=dict(zip(
            [c.source for c in channels], cadences_s, strict=True
        )))  # fmt: skip
    return found


def test_every_usual_cadence_is_judged_within_two_days() -> None:
    """Contract: at most 48 hours of test conditions, or 200 samples, whichever is later."""
    cadences = [0.5, 1.0, 10.0, 60.0, 300.0, 600.0]
    found = learned_at_s(cadences, 48 * 3600, SHIPPED)
    assert sorted(found) == cadences
    assert min(found.values()) > 20 * 3600


def test_ten_samples_a_second_are_judged_within_two_days() -> None:
    """Alone, and told in pieces of four hours: 1.7 million samples and more."""
    found = learned_at_s([0.1], 46 * 3600, with_settings(CoreSettings(), signal={"tick_s": 900}))
    assert 20 * 3600 < found[0.1] <= 48 * 3600


@pytest.mark.parametrize("every_s", [900.0, 1800.0, 3600.0])
def test_slow_sensors_are_judged_within_two_hundred_samples(every_s: float) -> None:
    limit = max(48 * 3600.0, 200 * every_s)
    found = learned_at_s([every_s], limit, with_settings(CoreSettings(), signal={"tick_s": 900}))
    assert found[every_s] <= limit


@cache
def hourly_start() -> Rig:
    """Five valves with one sample an hour, four days old: learned."""
    rig = Rig(row_of_valves(5), HOURLY)
    return rig.run(4 * DAY_S, dict.fromkeys(NAMES, 24.0), every_s=3600.0)


def hourly() -> Rig:
    """A copy of `hourly_start` to go on from."""
    start = hourly_start()
    rig = Rig(row_of_valves(5), HOURLY)
    rig.engine.restore(start.engine.snapshot())
    rig.now_s = start.now_s
    rig.rng = np.random.default_rng(11)
    return rig


def test_a_slow_leak_cannot_teach_itself_in() -> None:
    """0.2 dB a day at one valve for 60 days, 12 dB in all: at most the stated drift is swallowed."""
    rig = hourly()
    begun = rig.now_s
    levels: dict[str, object] = dict.fromkeys(NAMES, 24.0)
    levels["AE-3"] = lambda t: 24.0 + 0.2 * (t - begun) / DAY_S
    rig.run(60 * DAY_S, levels, every_s=3600.0)  # type: ignore[arg-type]
    baselines, at = rig.engine.stepper.baselines, rig.place("XV-3")
    moved = rig.value("XV-3", "baseline_db") - baselines.anchor[at, 0]
    assert moved <= HOURLY.baseline.max_drift_db + 0.01
    assert rig.value("XV-3", "rise_db") >= 12.0 - HOURLY.baseline.max_drift_db - 1.5
    assert ("XV-3", "passing", "raised") in rig.story()
    assert {v for v, a, _ in rig.story() if a == "passing"} == {"XV-3"}


def test_a_background_follows_the_seasons() -> None:
    """All five drift by 2 dB in 40 days together: followed, and nobody is blamed."""
    rig = hourly()
    begun = rig.now_s
    rig.run(
        40 * DAY_S, dict.fromkeys(NAMES, lambda t: 24.0 + 2.0 * (t - begun) / DAY_S / 40.0), every_s=3600.0
    )
    assert rig.journal == []
    assert np.abs(rig.last.rise_db).max() < 1.2
    assert rig.last.baseline_db == pytest.approx(np.full(5, 25.7), abs=0.7)


def test_no_drift_however_long_goes_further_than_the_stated_distance() -> None:
    """The whole group drifts by 8 dB in 80 days: the background stays within the limit from its anchor."""
    rig = hourly()
    begun = rig.now_s
    rig.run(80 * DAY_S, dict.fromkeys(NAMES, lambda t: 24.0 + 0.1 * (t - begun) / DAY_S), every_s=3600.0)
    baselines = rig.engine.stepper.baselines
    assert np.nanmax(np.abs(baselines.value - baselines.anchor)) <= HOURLY.baseline.max_drift_db + 0.01


def test_a_step_at_one_valve_moves_no_baseline_of_its_group() -> None:
    """While something is under suspicion the whole group's background is held."""
    rig = hourly()
    before = rig.engine.stepper.baselines.value[:, 0].copy()
    spill = {"AE-1": 27.0, "AE-2": 36.0, "AE-3": 48.0, "AE-4": 36.0, "AE-5": 27.0}
    rig.run(20 * DAY_S, spill, every_s=3600.0)
    assert rig.value("XV-3", "baseline_state") == BaselineState.HELD
    assert np.abs(rig.engine.stepper.baselines.value[:, 0] - before).max() < 0.3


def compressor(t: np.ndarray, lift: float) -> np.ndarray:
    """Three hours off, three hours on."""
    return 24.0 + np.where((t // 10_800) % 2 == 1, lift, 0.0)


LIFT = {"AE-1": 8.0, "AE-2": 6.5, "AE-3": 9.0, "AE-4": 6.0, "AE-5": 7.5}


def test_operating_conditions_are_found_while_learning_and_blame_nobody() -> None:
    rig = Rig(row_of_valves(5), A_DAY)
    plant = {name: lambda t, lift=lift: compressor(t, lift) for name, lift in LIFT.items()}
    rig.run(26 * 3600, plant, every_s=60.0)  # type: ignore[arg-type]
    assert rig.engine.stepper.baselines.modes.tolist() == [2]
    rig.run(24 * 3600, plant, every_s=60.0)  # type: ignore[arg-type]
    assert [e for e in rig.journal if e.alarm == "passing"] == []
    found = sorted({round(float(t.baseline_db[0]), 0) for t in rig.ticks[-200:]})
    assert len(found) == 2
    assert found[0] in (23.0, 24.0)
    assert found[1] in (31.0, 32.0)


def test_a_channel_a_few_windows_behind_the_others_learns_the_same_conditions() -> None:
    """Its sensor is connected five hours later: it has heard both conditions and is judged by both."""
    rig = Rig(row_of_valves(5), A_DAY)
    plant = {name: lambda t, lift=lift: compressor(t, lift) for name, lift in LIFT.items()}
    late = plant.pop("AE-1")
    rig.run(5 * 3600, plant, every_s=60.0)  # type: ignore[arg-type]
    rig.run(21 * 3600, plant | {"AE-1": late}, every_s=60.0)  # type: ignore[arg-type]
    bank = rig.engine.stepper.baselines
    assert bank.modes.tolist() == [2]
    assert bank.learned[:, :2].all()
    assert abs(float(bank.value[0, 1] - bank.value[0, 0])) == pytest.approx(LIFT["AE-1"], abs=1.0)


def test_a_leak_that_begins_while_learning_does_not_become_a_condition() -> None:
    """From the 17th hour on XV-3 passes; when learning ends it is named, not taken for the way things are."""
    rig = Rig(row_of_valves(5), A_DAY)
    spill = {"AE-1": 2.0, "AE-2": 12.0, "AE-3": 24.0, "AE-4": 12.0, "AE-5": 2.0}

    def heard(more: float):  # type: ignore[no-untyped-def]
        return lambda t: 24.0 + np.where(t > 17 * 3600, more, 0.0)

    rig.run(36 * 3600, {name: heard(more) for name, more in spill.items()}, every_s=60.0)
    assert rig.engine.stepper.baselines.modes.tolist() == [1]
    assert rig.value("XV-3", "baseline_db") == pytest.approx(24.0, abs=1.5)
    assert rig.verdict("XV-3").text == "passing"
    assert [(v, e) for v, a, e in rig.story() if a == "passing"] == [("XV-3", "raised")]


def test_conditions_given_by_a_tag_have_a_background_each() -> None:
    from hissmark.engine.settings import ConditionRule

    settings = CoreSettings(signal=SHIPPED.signal, conditions=(ConditionRule("compressor", "K-101 > 50"),))
    rig = Rig(row_of_valves(5), settings)
    plant = {name: lambda t, lift=lift: compressor(t, lift) for name, lift in LIFT.items()}
    for _ in range(18):
        for on in (0.0, 100.0):
            rig.run(10_800, plant, {"K-101": on}, every_s=60.0)  # type: ignore[arg-type]
    value = rig.engine.stepper.baselines.value
    step = value[:, 1] - value[:, 0]
    assert step == pytest.approx(list(LIFT.values()), abs=0.7)
    assert [e for e in rig.journal if e.alarm == "passing"] == []


def test_samples_flagged_as_sent_again_on_subscribing_teach_nothing() -> None:
    from hissmark.decode.columns import Batch, Flag

    rig = Rig(row_of_valves(2))
    samples = rig.samples()
    for name in ("AE-1", "AE-2"):
        samples.add(name, times(0, 4 * 3600, 10), 30.0)
    batch = samples.batch()
    rig.feed(Batch(batch.series, batch.time_us, batch.value, np.full(len(batch), Flag.RETAINED, np.uint8)))
    assert rig.ticks == []
    assert not rig.engine.stepper.baselines.learned.any()
