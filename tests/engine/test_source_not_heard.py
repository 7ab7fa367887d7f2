"""A source goes on while its sensor is not heard: its spill is no news, and no background. Levels and losses:
common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hissmark.engine.change import BaselineStep, baseline_change
from support.rig import LEARNED_S, Rig, learned_rig, row_of_valves

HOUR_S = 3600
QUIET_DB = 21.0
NAMES = [f"AE-{i + 1}" for i in range(5)]


def sound(at: int, level_db: float, step_db: float = 6.0) -> dict[str, float]:
    arriving = level_db - step_db * np.abs(np.arange(len(NAMES)) - at)
    level = 10 * np.log10(10 ** (0.1 * arriving) + 10 ** (0.1 * QUIET_DB))
    return dict(zip(NAMES, level.tolist(), strict=True))


def without(levels: dict[str, float], *names: str) -> dict[str, float]:
    return {name: level for name, level in levels.items() if name not in names}


def quiet_plant() -> Rig:
    return learned_rig(row_of_valves(len(NAMES)), dict.fromkeys(NAMES, QUIET_DB))


def raised(rig: Rig) -> list[str]:
    return [v for v, alarm, event in rig.story() if (alarm, event) == ("passing", "raised")]


def test_a_neighbour_is_not_blamed_while_the_sensor_of_the_source_is_silent() -> None:
    rig, leak = quiet_plant(), sound(2, 48.0)
    rig.run(2 * HOUR_S, leak, every_s=60)
    assert raised(rig) == ["XV-3"]
    rig.run(3 * HOUR_S, without(leak, "AE-3"), every_s=60)
    rig.run(HOUR_S, leak, every_s=60)
    assert raised(rig) == ["XV-3"]


def test_of_two_suspects_none_is_named_because_the_other_is_no_longer_heard() -> None:
    rig, leak = quiet_plant(), sound(2, 48.0)
    leak["AE-4"] = leak["AE-3"]
    rig.run(2 * HOUR_S, leak, every_s=60)
    assert raised(rig) == []
    assert {rig.verdict(v).text for v in ("XV-3", "XV-4")} == {"contested"}
    rig.run(3 * HOUR_S, without(leak, "AE-4"), every_s=60)
    assert raised(rig) == []


def test_once_the_group_is_quiet_a_dead_sensor_keeps_no_other_valve_from_being_named() -> None:
    rig, leak = quiet_plant(), sound(1, 48.0)
    leak["AE-1"] = leak["AE-2"]
    rig.run(2 * HOUR_S, leak, every_s=60)
    assert raised(rig) == []
    quiet = without(dict.fromkeys(NAMES, QUIET_DB), "AE-1")
    rig.run(3 * HOUR_S, quiet, every_s=60)
    rig.run(3 * HOUR_S, without(sound(3, 52.0), "AE-1"), every_s=60)
    assert raised(rig) == ["XV-4"]


def test_a_channel_that_begins_while_its_group_is_said_to_leak_does_not_learn_the_leak() -> None:
    """Else its own leak would be its background, and its neighbours would be blamed for the spill."""
    late = without(dict.fromkeys(NAMES, QUIET_DB), "AE-4")
    rig = learned_rig(row_of_valves(len(NAMES)), late)
    leak = sound(1, 50.0)
    rig.run(2 * HOUR_S, without(leak, "AE-4"), every_s=60)
    assert raised(rig) == ["XV-2"]
    rig.run(3 * LEARNED_S, leak, every_s=60)
    assert rig.reason("XV-4").text == "baseline learning"
    rig.run(3 * LEARNED_S, dict.fromkeys(NAMES, QUIET_DB), every_s=60)
    assert abs(rig.value("XV-4", "baseline_db") - QUIET_DB) < 1.5


def test_a_new_sensor_on_a_leaking_valve_learns_once_the_leak_is_over_and_ends_its_alarm() -> None:
    """It neither takes the leak for its background, which would end the alarm of a valve that leaks on, nor
    waits for ever because the valve is still said to leak."""
    row = row_of_valves(len(NAMES))
    rig, leak = learned_rig(row, dict.fromkeys(NAMES, QUIET_DB)), sound(1, 50.0)
    rig.run(2 * HOUR_S, leak, every_s=60)
    assert rig.events("XV-2") == ["raised"]
    anew = baseline_change(BaselineStep.RELEARN, "XV-2", "Ada", "another sensor")
    rig.engine.change(rig.engine.admit(replace(anew, id=1)))
    rig.run(2 * LEARNED_S, leak, every_s=60)
    assert (rig.events("XV-2"), rig.reason("XV-2").text) == (["raised"], "baseline learning")
    rig.run(2 * LEARNED_S, dict.fromkeys(NAMES, QUIET_DB), every_s=60)
    assert rig.events("XV-2") == ["raised", "cleared"]
    assert abs(rig.value("XV-2", "baseline_db") - QUIET_DB) < 1.5
