"""The commissioning check finds each planted mistake, says what to do, and leaves sound channels alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hissmark.decode.columns import Flag
from hissmark.engine.register import Channel
from hissmark.store.blocks import CODES, LEVELS, Block
from hissmark.upkeep.commissioning import Heard, Point, Series, Standing, check_channels, worst_first
from hissmark.upkeep.spill_pattern import Openings
from support.rig import START_US, US, row_of_valves, valve

NOW_US = START_US + 3600 * US
PLANT = [
    valve("1", closed_when="ZT-1 < 2", upstream_pressure="PT-1", downstream_pressure="PT-2", interval_s=10.0),
    valve("2", position=1),
    valve("3", position=2),
]


def series(
    value: float | np.ndarray = 30.0, every_s: float = 10.0, noise_db: float = 0.5, seed: int = 0
) -> Series:
    """An hour of samples up to now."""
    times = np.arange(START_US, NOW_US, int(every_s * US), dtype=np.int64)
    noise = np.random.default_rng(seed).normal(0.0, noise_db, len(times))
    return Series(times, np.round(value + noise, 2), np.zeros(len(times), np.uint8))


def plant(**other: Series | None) -> Heard:
    """All is well but what `other` says (a dash in a name is written as an underscore)."""
    sound: dict[str, Series] = {
        "AE-1": series(seed=1), "AE-2": series(seed=2), "AE-3": series(seed=3),
        "ZT-1": series(0.5, 60, 0.0), "PT-1": series(40, 60, 0.1), "PT-2": series(5, 60, 0.1),
    }  # fmt: skip
    for name, made in other.items():
        sound.pop(name.replace("_", "-"))
        if made is not None:
            sound[name.replace("_", "-")] = made
    return Heard(sound, ["AE_2", "PT-01"], NOW_US)


def points(heard: Heard, subject: str) -> dict[str, Point]:
    found = {c.subject: c for c in check_channels(PLANT, heard)}
    return {p.what: p for p in found[subject].points}


def test_a_sound_plant_passes() -> None:
    found = {c.subject: c.standing for c in check_channels(PLANT, plant())}
    assert found["XV-1"] is Standing.FINE
    assert found["XV-2"] is Standing.LOOK  # judged on sound alone
    said = points(plant(), "XV-1")
    assert said["heard"].found == "360 samples in 60 min"
    assert said["interval"].found == "every 10 s"
    assert said["closed"].found == "ZT-1 = 0.5: closed"
    assert said["pressure difference"].standing is Standing.FINE


def flagged(flag: Flag) -> Series:
    made = series(seed=1)
    return Series(made.time_us, made.value, np.full(len(made), int(flag), np.uint8))


def shifted(by_s: float) -> Series:
    made = series(seed=1)
    return Series(made.time_us + int(by_s * US), made.value, made.flags)


def with_gaps() -> Series:
    made = series(seed=1)
    keep = np.arange(len(made)) % 90 < 45
    return Series(made.time_us[keep], made.value[keep], made.flags[keep])


MISTAKES: dict[str, tuple[dict[str, Series | None], str, str, Standing, str]] = {
    "silent": ({"AE_2": None}, "XV-2", "heard", Standing.WRONG, "Did you mean 'AE_2', which arrives"),
    "volts": ({"AE_1": series(1e4)}, "XV-1", "level", Standing.WRONG, "unit and scaling"),
    "constant": ({"AE_1": series(noise_db=0)}, "XV-1", "level", Standing.WRONG, "connected"),
    "twin": ({"AE_1": series(seed=3)}, "XV-1", "its own signal", Standing.WRONG, "one sensor"),
    "interval": ({"AE_1": series(every_s=60)}, "XV-1", "interval", Standing.LOOK, "Correct one"),
    "gaps": ({"AE_1": with_gaps()}, "XV-1", "interval", Standing.LOOK, "radio"),
    "no time": ({"AE_1": flagged(Flag.RECEIPT_TIME)}, "XV-1", "clock", Standing.LOOK, "send its time"),
    "ahead": ({"AE_1": shifted(600)}, "XV-1", "clock", Standing.WRONG, "clock"),
    "behind": ({"AE_1": shifted(-600)}, "XV-1", "clock", Standing.LOOK, "still sending"),
    "few": ({"AE_1": series(every_s=1200)}, "XV-1", "level", Standing.UNSEEN, "Wait"),
    "no position": ({"ZT_1": None}, "XV-1", "closed", Standing.WRONG, "tag's name"),
    "open": ({"ZT_1": series(98, 60, 0.0)}, "XV-1", "closed", Standing.LOOK, "ZT-1 < 2 is wrong"),
    "pressure": ({"PT_1": series(4e6, 60)}, "XV-1", "upstream pressure", Standing.WRONG, "unit"),
    "swapped": ({"PT_1": series(2, 60)}, "XV-1", "pressure difference", Standing.LOOK, "way round"),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_each_mistake_is_found_with_what_to_do(name: str) -> None:
    other, subject, what, standing, do = MISTAKES[name]
    heard = plant(**other)
    wrong = [p for p in points(heard, subject).values() if p.standing is standing and p.what == what]
    assert [do in p.do for p in wrong] == [True], points(heard, subject)


def test_a_pressure_tag_that_does_not_arrive_names_one_like_it() -> None:
    found = points(plant(PT_1=None), "XV-1")["upstream pressure"]
    assert found.do.startswith("Did you mean 'PT-01', which arrives")


def test_what_needs_a_hand_comes_first() -> None:
    order = [c.subject for c in worst_first(check_channels(PLANT, plant(AE_3=None)))]
    assert order[0] == "XV-3"


# The spill pattern.


def ticks(
    open_place: int | None, level: Callable[[int], float], channels: list[Channel], count: int = 20
) -> Block:
    """Ticks while one valve stands open: what each place hears over a background of 30 dB."""
    shape = (count, len(channels))
    columns = {name: np.full(shape, np.nan, np.float32) for name in LEVELS}
    codes = {name: np.zeros(shape, np.uint8) for name in CODES}
    columns["baseline_db"][:] = 30.0
    columns["level_db"][:] = [level(i) for i in range(len(channels))]
    if open_place is not None:
        codes["open_"][:, open_place] = 1
    times = START_US + np.arange(count, dtype=np.int64) * 60 * US
    return Block(tuple(c.name for c in channels), times, **columns, **codes)


def falling(source: int) -> Callable[[int], float]:
    return lambda i: max(70.0 - 8.0 * abs(i - source), 30.0)


def test_sound_that_falls_off_along_the_register_is_fine() -> None:
    channels = row_of_valves(5)
    found = Openings(channels).take([ticks(1, falling(1), channels)]).points()
    assert {found[f"AE-{i}"].standing for i in (1, 3, 4, 5)} == {Standing.FINE}
    assert found["AE-2"].standing is Standing.UNSEEN  # the source itself hears no other


def test_a_sensor_in_the_wrong_place_is_told() -> None:
    """AE-3 and AE-5 have changed places: the last hears the open valve louder than those between."""
    channels = row_of_valves(5)
    order = {0: 0, 1: 1, 2: 4, 3: 3, 4: 2}
    found = Openings(channels).take([ticks(1, lambda i: falling(1)(order[i]), channels)]).points()
    assert found["AE-5"].standing is Standing.LOOK
    assert found["AE-5"].found == "hears XV-2 clearly louder than XV-3, which sits between"
    assert found["AE-3"].standing is not Standing.LOOK


def test_a_loud_background_in_between_proves_nothing() -> None:
    channels = row_of_valves(3)
    block = ticks(0, falling(0), channels)
    block.baseline_db[:, 1] = block.level_db[:, 1] = 75.0
    assert Openings(channels).take([block]).points()["AE-3"].standing is Standing.FINE


def test_nothing_is_known_before_a_valve_was_open_alone() -> None:
    channels = row_of_valves(3)
    both = ticks(0, falling(0), channels)
    both.open_[:, 2] = 1
    for block in (ticks(None, lambda i: 30.0, channels), both):
        found = Openings(channels).take([block]).points()
        assert {p.standing for p in found.values()} == {Standing.UNSEEN}
        assert "Open a valve" in found["AE-1"].do
