"""What the whole profile of a group tells, and no single channel. Levels and losses: common practice, no
source."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Explanation
from support.rig import Rig, learned_rig, row_of_valves, valve

HOUR_S = 3600
QUIET_DB = 21.0


def names(count: int) -> list[str]:
    return [f"AE-{i + 1}" for i in range(count)]


def sound(count: int, *sources: tuple[int, float], step_db: float = 8.0) -> dict[str, float]:
    """Levels with sources (place, dB) on one pipe, powers added to the background."""
    power = np.full(count, 10 ** (QUIET_DB / 10))
    for at, level in sources:
        power += 10 ** ((level - step_db * np.abs(np.arange(count) - at)) / 10)
    return dict(zip(names(count), 10 * np.log10(power), strict=True))


def with_noise(levels: dict[str, float], noise: tuple[float, ...]) -> dict[str, float]:
    """Levels with more power at every place."""
    both = zip(levels.items(), noise, strict=True)
    return {name: 10 * np.log10(10 ** (level / 10) + 10 ** (more / 10)) for (name, level), more in both}


def quiet_plant(count: int) -> Rig:
    return learned_rig(row_of_valves(count), dict.fromkeys(names(count), QUIET_DB))


def row_with_position(at: int) -> list[Channel]:
    """Five valves, of which one tells whether it is closed."""
    row = row_of_valves(5)
    row[at] = valve(str(at + 1), position=at, closed_when=f"ZT-{at + 1} < 2")
    return row


def raised(rig: Rig) -> list[str]:
    return [v for v, alarm, event in rig.story() if (alarm, event) == ("passing", "raised")]


def test_a_second_leak_under_the_spill_of_a_louder_first_is_named_when_it_begins() -> None:
    rig = quiet_plant(6).run(2 * HOUR_S, sound(6, (1, 60.0)), every_s=60)
    assert raised(rig) == ["XV-2"]
    rig.run(3 * HOUR_S, sound(6, (1, 60.0), (4, 48.0)), every_s=60)
    assert raised(rig) == ["XV-2", "XV-5"]
    assert rig.last.explanation[0] == Explanation.TWO_PASSING


def test_spill_that_grows_with_its_source_is_no_second_leak() -> None:
    rig = quiet_plant(6)
    for level in (40.0, 45.0, 50.0, 55.0, 60.0, 65.0):
        rig.run(2 * HOUR_S, sound(6, (1, level), step_db=6.0), every_s=60)
    assert raised(rig) == ["XV-2"]


def test_channels_that_rise_each_by_its_own_amount_are_an_operating_condition() -> None:
    """Far places rise, those between do not: no sound that travels along a pipe does that."""
    rig = quiet_plant(7)
    levels = dict(zip(names(7), (28.0, 22.0, 29.0, 21.5, 28.5, 21.0, 29.0), strict=True))
    rig.run(HOUR_S, levels, every_s=60)
    assert raised(rig) == []
    assert rig.last.explanation[0] == Explanation.UNEXPLAINED


def test_one_sensor_at_full_scale_while_its_neighbours_hear_nothing_is_no_leak() -> None:
    rig = quiet_plant(5)
    levels = dict.fromkeys(names(5), QUIET_DB) | {"AE-3": 95.0}
    rig.run(3 * HOUR_S, levels, every_s=60)
    assert raised(rig) == []


def test_nobody_is_blamed_for_an_open_valve_whose_own_sensor_is_silent() -> None:
    opens = [
        valve(str(i + 1), position=i, **({"closed_when": "ZT-3 < 2"} if i == 2 else {})) for i in range(5)
    ]
    rig = learned_rig(opens, dict.fromkeys(names(5), QUIET_DB), process={"ZT-3": 0.0})
    flow = sound(5, (2, 60.0))
    del flow["AE-3"]
    rig.run(3 * HOUR_S, flow, {"ZT-3": 100.0}, every_s=60)
    assert raised(rig) == []


def test_nobody_is_blamed_for_a_leak_at_a_valve_whose_own_sensor_is_silent() -> None:
    rig = quiet_plant(5)
    silent = {n: QUIET_DB for n in names(5) if n != "AE-3"}
    rig.run(2 * HOUR_S, silent, every_s=60)
    leak = sound(5, (2, 60.0))
    del leak["AE-3"]
    rig.run(3 * HOUR_S, leak, every_s=60)
    assert raised(rig) == []


def test_a_leak_beside_an_open_valve_is_named() -> None:
    """The open valve is heard first; what rises over its spill afterwards is another source."""
    opens = [
        valve(str(i + 1), position=i, **({"closed_when": "ZT-1 < 2"} if i == 0 else {})) for i in range(5)
    ]
    rig = learned_rig(opens, dict.fromkeys(names(5), QUIET_DB), process={"ZT-1": 0.0})
    rig.run(2 * HOUR_S, sound(5, (0, 55.0)), {"ZT-1": 100.0}, every_s=60)
    assert raised(rig) == []
    rig.run(3 * HOUR_S, sound(5, (0, 55.0), (3, 52.0)), {"ZT-1": 100.0}, every_s=60)
    assert raised(rig) == ["XV-4"]


def test_what_came_and_went_twice_by_itself_is_contested_the_third_time() -> None:
    """A leak does not heal; who switches it on and off is to be found, not the valve to be opened."""
    rig, again = quiet_plant(5), sound(5, (0, 34.0))
    for _ in range(2):
        rig.run(2 * HOUR_S, again, every_s=60).run(4 * HOUR_S, sound(5), every_s=60)
    assert raised(rig) == ["XV-1", "XV-1"], "twice it may be a leak, mended without a word"
    rig.run(2 * HOUR_S, again, every_s=60)
    assert (rig.verdict("XV-1").text, len(raised(rig))) == ("contested", 2)
    rig.run(4 * HOUR_S, sound(5), every_s=60).run(2 * HOUR_S, sound(5, (0, 41.0)), every_s=60)
    assert (rig.verdict("XV-1").text, len(raised(rig))) == ("passing", 3), "another sound is another matter"


def test_a_second_sound_beside_a_standing_leak_is_not_always_a_second_leak() -> None:
    """Noise that comes in at one end and is carried along, while a leak further on goes on."""
    rig = quiet_plant(6).run(2 * HOUR_S, sound(6, (3, 50.0)), every_s=60)
    assert raised(rig) == ["XV-4"]
    rig.run(4 * HOUR_S, with_noise(sound(6, (3, 50.0)), (38.0, 35.0, 32.0, 29.0, 26.0, 23.0)), every_s=60)
    assert raised(rig) == ["XV-4"]
    assert rig.verdict("XV-4").text == "passing"


def test_a_leak_that_a_loud_condition_drowns_has_not_gone() -> None:
    """A compressor that was heard before lifts the whole group far over the leak; then it stops again."""
    rig, loud = quiet_plant(5), with_noise(sound(5), (52.0, 47.0, 55.0, 49.0, 53.0))
    for _ in range(4):
        rig.run(8 * HOUR_S, loud, every_s=60).run(8 * HOUR_S, sound(5), every_s=60)
    before = raised(rig)
    rig.run(3 * HOUR_S, sound(5, (1, 40.0)), every_s=60)
    assert raised(rig) == [*before, "XV-2"]
    told = len(rig.story())
    drowned = with_noise(sound(5, (1, 40.0)), (52.0, 47.0, 55.0, 49.0, 53.0))
    rig.run(6 * HOUR_S, drowned, every_s=60)
    assert rig.reason("XV-2").text == "drowned by other sound"
    assert rig.engine.stepper.alarms.rise_db[0, rig.place("XV-2")] == pytest.approx(19.0, abs=1.5)
    rig.run(3 * HOUR_S, sound(5, (1, 40.0)), every_s=60)
    assert [row for row in rig.story()[told:] if row[:2] == ("XV-2", "passing")] == []
    assert rig.verdict("XV-2").text == "passing"
    rig.run(3 * HOUR_S, sound(5), every_s=60)
    assert rig.story()[-1] == ("XV-2", "passing", "cleared")
