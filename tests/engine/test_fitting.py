"""An edited register takes over a saved state: what sits as it did keeps all, what moved learns anew."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hissmark.alarms.journal import ActionKind, AlarmState
from hissmark.engine.change import Level, settings_change
from hissmark.engine.intake import NEVER
from hissmark.engine.register import Channel
from support.rig import START_US, US, Rig, row_of_valves, take, valve
from support.stirring import SETTINGS, channels, plant

HALF_WAY_S = 5400.0


@cache
def saved() -> tuple[Rig, bytes]:
    """Half-way: XV-2 is passing and acknowledged; the losses of group `header` were measured once."""
    everything = plant()[1]
    rig = Rig(channels(), SETTINGS)
    rig.feed(take(everything, everything.time_us < START_US + int(HALF_WAY_S * US)))
    rig.act(ActionKind.ACKNOWLEDGE, "XV-2", 3, comment="seen")
    clear = np.array([True] * 4)
    rig.engine.stepper.acoustics.measure(0, 1, np.array([40.0, 52.0, 44.0, 36.0]), clear, ~clear)
    return rig, rig.engine.snapshot()


def after(edited: list[Channel]) -> tuple[Rig, list[str]]:
    """The saved state taken over under another register."""
    rig = Rig(edited, SETTINGS)
    return rig, rig.engine.restore(saved()[1])


def changed(name_: str, **fields: object) -> list[Channel]:
    return [replace(c, **fields) if c.name == name_ else c for c in channels()]  # type: ignore[arg-type]


@pytest.mark.parametrize("more", [3, -2], ids=["larger", "smaller"])
def test_learned_losses_stay_when_the_largest_group_changes_its_size(more: int) -> None:
    """Arrays are padded to the largest group; what a group has learned is its own."""
    first, payload = Rig([*row_of_valves(2), *row_of_valves(4, "big")], SETTINGS), b""
    first.engine.stepper.acoustics.measure(
        0, 0, np.array([50.0, 41.0, 0, 0]), np.array([1, 1, 0, 0], bool), np.zeros(4, bool)
    )
    payload = first.engine.snapshot()
    other = Rig([*row_of_valves(2), *row_of_valves(4 + more, "big")], SETTINGS)
    other.engine.restore(payload)
    was, now = first.engine.stepper.acoustics, other.engine.stepper.acoustics
    assert now.measured.tolist() == [1, 0]
    np.testing.assert_array_equal(now.loss_db[0, :2, :2], was.loss_db[0, :2, :2])
    np.testing.assert_array_equal(now.loss_sd_db[0, :2, :2], was.loss_sd_db[0, :2, :2])
    np.testing.assert_array_equal(now.coupling_db[0, :2], was.coupling_db[0, :2])


def test_new_distances_count_where_nothing_was_learned_and_replace_what_was() -> None:
    rig, _ = after(changed("AE-3", distance_m=80.0, joints=6))
    fresh = Rig(changed("AE-3", distance_m=80.0, joints=6), SETTINGS).engine.stepper.acoustics
    np.testing.assert_array_equal(rig.engine.stepper.acoustics.loss_db[0], fresh.loss_db[0])
    assert not rig.engine.stepper.acoustics.measured.any()


def test_a_change_in_one_group_leaves_learned_losses_of_the_other() -> None:
    rig, _ = after([c for c in channels() if c.name != "RP-2"])
    assert rig.engine.stepper.acoustics.measured.tolist() == [1, 0]


def test_a_group_with_another_name_is_the_same_group() -> None:
    renamed = [replace(c, group="north header") if c.group == "header" else c for c in channels()]
    rig, notes = after(renamed)
    before, now = saved()[0].engine, rig.engine
    assert notes == []
    assert now.resume_from_us == before.resume_from_us
    np.testing.assert_array_equal(now.stepper.baselines.value, before.stepper.baselines.value)
    assert now.stepper.acoustics.measured.tolist() == [1, 0]
    assert ("XV-2", "north header", AlarmState.ACKNOWLEDGED) in [
        (a.valve, a.group, a.state) for a in now.alarms()
    ]


def test_a_sensor_on_another_valve_learns_anew_and_is_told() -> None:
    rig, notes = after(changed("AE-4", valve="XV-9"))
    assert notes == ["channel header/AE-4 now listens to XV-9, not XV-4: it learns anew"]
    learned = rig.engine.stepper.baselines.learned[:, 0]
    assert not learned[rig.place("XV-9")]
    assert learned[[rig.place(f"XV-{i}") for i in (1, 2, 3)]].all()


def test_the_alarm_of_a_valve_stays_when_its_sensor_is_replaced() -> None:
    rig, notes = after(changed("AE-2", name="AE-2-new", source="AE-2-new"))
    assert notes == ["channel header/AE-2 is no longer in the register under that group"]
    assert ("XV-2", AlarmState.ACKNOWLEDGED) in [(a.valve, a.state) for a in rig.engine.alarms()]
    assert not rig.engine.stepper.baselines.learned[rig.place("XV-2")].any()


def test_an_alarm_does_not_travel_with_the_sensor() -> None:
    rig, _ = after(changed("AE-2", valve="XV-9"))
    assert [a.valve for a in rig.engine.alarms()] == ["RP-2"]


def test_a_channel_added_to_the_only_group_judges_nothing_twice() -> None:
    first = Rig(row_of_valves(3), SETTINGS)
    first.run(3000, {f"AE-{i}": 24.0 for i in (1, 2, 3)})
    other = Rig(row_of_valves(4), SETTINGS)
    other.engine.restore(first.engine.snapshot())
    assert other.engine.resume_from_us == first.engine.resume_from_us == first.last.at_us


def test_a_group_made_of_sensors_of_another_goes_on_where_that_was() -> None:
    split = [replace(c, group="branch") if c.name in ("AE-3", "AE-4") else c for c in channels()]
    rig, _ = after(split)
    ticks = saved()[0].engine.intake.tick_us
    names = list(rig.layout.group_names)
    assert rig.engine.intake.tick_us[names.index("branch")] == ticks[0]


def test_a_group_of_new_sensors_begins_at_their_first_sample() -> None:
    rig, _ = after([*channels(), valve("51", "annex", 0), valve("52", "annex", 1)])
    assert rig.engine.intake.tick_us[-1] == NEVER
    assert rig.engine.resume_from_us == saved()[0].engine.resume_from_us


def tuned(values: dict[str, float], level: Level, subject: str) -> bytes:
    """The saved state with a setting of engineers."""
    rig = Rig(channels(), SETTINGS)
    rig.engine.restore(saved()[1])
    change = settings_change(level, subject, values, "Ann", "quieter")
    rig.engine.change(replace(rig.engine.admit(change), id=1))
    return rig.engine.snapshot()


def test_settings_of_engineers_follow_valves_and_groups_through_the_register() -> None:
    payload = tuned({"rise_limit_db": 9.0}, Level.VALVE, "XV-4")
    gone = Rig([c for c in channels() if c.name != "AE-4"], SETTINGS)
    gone.engine.restore(payload)
    back = Rig(channels(), SETTINGS)
    back.engine.restore(gone.engine.snapshot())
    assert back.engine.stepper.tuned.rise_limit_db[back.place("XV-4")] == 9.0
    assert back.engine.stepper.tuned.rise_limit_db[back.place("XV-3")] != 9.0


def test_settings_of_the_site_hold_for_a_new_group_and_those_of_a_group_for_its_new_name() -> None:
    site = tuned({"rise_limit_db": 9.0}, Level.SITE, "")
    more = Rig([*channels(), valve("51", "annex", 0), valve("52", "annex", 1)], SETTINGS)
    more.engine.restore(site)
    assert (more.engine.stepper.tuned.rise_limit_db == 9.0).all()
    group = tuned({"rise_limit_db": 9.0}, Level.GROUP, "header")
    named = Rig([replace(c, group="north") if c.group == "header" else c for c in channels()], SETTINGS)
    named.engine.restore(group)
    limits = named.engine.stepper.tuned.rise_limit_db
    assert [bool(x == 9.0) for x in limits] == [c.group == "north" for c in named.layout.channels]
