"""The demo's invented plant: pure, seeded, and adding levels as powers."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.demo.acoustics import Acoustics
from hissmark.demo.noise import normal, stream, uniform, wander
from hissmark.demo.plant import Plant
from hissmark.demo.story import MINUTE_US, Cycle, Leak, S, Story
from hissmark.demo.works import COMPRESSOR, PONDS, STRETCHES

LIVE_US = 1_790_000_000 * S
HOUR_US = 60 * MINUTE_US


def levels(plant: Plant, name: str, from_us: int, to_us: int) -> np.ndarray:
    batch = plant.samples(from_us, to_us)
    return batch.value[batch.series == plant.names.index(name)]


def floor_db(plant: Plant, name: str, from_us: int, to_us: int) -> float:
    return float(np.percentile(levels(plant, name, from_us, to_us), 10))


def one_leak(seed: int, valve: str = "XV-104", rise_db: float = 14.0) -> Plant:
    quiet = Story.quiet(seed)
    leak = Leak(valve, LIVE_US, LIVE_US + MINUTE_US, LIVE_US + HOUR_US, rise_db)
    return Plant(seed, Story((leak,), quiet.compressor, quiet.pump, quiet.stroke, quiet.trap))


def test_a_leak_is_heard_along_the_pipe_with_its_loss() -> None:
    """Level with the leak = energy sum of background and source less loss, plus coupling, at every sensor.

    L = 10 lg(10^(L1/10) + 10^(L2/10)) for incoherent sources: acoustics textbook rule, written out here anew.
    """
    quiet, leaking = Plant(3), one_leak(3)
    t_us = LIVE_US + np.arange(10 * 60, 20 * 60, 2, dtype=np.int64) * S
    calm, loud = Acoustics(PONDS, quiet.story, 3), Acoustics(PONDS, leaking.story, 3)
    at = PONDS.place_of["XV-104"]
    source_db = loud.leak_source_db(leaking.story.leaks[0], t_us)
    for place in range(len(PONDS.fittings)):
        background = calm.background_db(place, t_us)
        heard = source_db - loud.loss_db[at, place] + loud.coupling_db[place]
        expected = 10 * np.log10(10 ** (background / 10) + 10 ** (heard / 10))
        difference = np.median(loud.level_db(place, t_us)) - np.median(expected)
        assert abs(difference) < 0.6  # the hiss varies by 0.4 dB; knocks do not move a median


def test_the_same_seed_gives_the_same_samples_and_another_does_not() -> None:
    first = Plant(5).samples(LIVE_US, LIVE_US + MINUTE_US)
    again = Plant(5).samples(LIVE_US, LIVE_US + MINUTE_US)
    other = Plant(6).samples(LIVE_US, LIVE_US + MINUTE_US)
    assert np.array_equal(first.value, again.value)
    assert np.array_equal(first.time_us, again.time_us)
    assert not np.array_equal(first.value[: len(other)], other.value[: len(first)])


@pytest.mark.parametrize("cut_s", [1, 7, 60, 333])
def test_time_may_be_cut_anywhere(cut_s: int) -> None:
    """Samples of two stretches are those of the whole: nothing lost, doubled or changed at the cut."""
    plant = one_leak(2)
    from_us, cut_us, to_us = LIVE_US - 600 * S, LIVE_US - 600 * S + cut_s * S + 1234, LIVE_US + 600 * S
    whole = plant.samples(from_us, to_us)
    parts = [plant.samples(from_us, cut_us), plant.samples(cut_us, to_us)]
    assert np.array_equal(whole.time_us, np.concatenate([p.time_us for p in parts]))
    assert np.array_equal(whole.series, np.concatenate([p.series for p in parts]))
    assert np.array_equal(whole.value, np.concatenate([p.value for p in parts]))


def test_it_is_the_plant_that_was_promised() -> None:
    """Thirty valves in five groups, a reference point at both ends of each, cadences from 2 s to 10 min."""
    valves = [f.valve for s in STRETCHES for f in s.fittings if f.valve]
    assert len(STRETCHES) == 5
    assert len(valves) == len(set(valves)) == 30
    assert all(s.fittings[0].valve is None and s.fittings[-1].valve is None for s in STRETCHES)
    assert {f.interval_s for s in STRETCHES for f in s.fittings} == {2.0, 10.0, 60.0, 600.0}


def test_every_series_comes_at_its_interval() -> None:
    plant = Plant(1)
    batch = plant.samples(LIVE_US, LIVE_US + 6 * HOUR_US)
    for number, series in enumerate(plant.series):
        times = batch.time_us[batch.series == number]
        expected = 6 * HOUR_US / series.interval_us
        assert abs(len(times) - expected) <= 1
        assert np.all(np.diff(times) > 0)


@pytest.mark.parametrize("seed", range(1, 9))
def test_the_leaking_valve_rises_most_and_its_neighbours_hear_less(seed: int) -> None:
    plant = one_leak(seed)
    rises = {
        f.channel: floor_db(plant, f.channel, LIVE_US + 5 * MINUTE_US, LIVE_US + 55 * MINUTE_US)
        - floor_db(plant, f.channel, LIVE_US - HOUR_US, LIVE_US)
        for f in PONDS.fittings
    }
    assert max(rises, key=lambda name: rises[name]) == "AE-104"
    assert rises["AE-104"] == pytest.approx(14, abs=1.5)
    assert 2 < rises["AE-105"] < rises["AE-104"] - 1
    assert rises["AE-190"] < 2


def test_after_the_repair_the_level_is_back() -> None:
    plant = one_leak(4)
    before = floor_db(plant, "AE-104", LIVE_US - HOUR_US, LIVE_US)
    after = floor_db(plant, "AE-104", LIVE_US + HOUR_US, LIVE_US + 2 * HOUR_US)
    assert after == pytest.approx(before, abs=2)


def test_knocks_and_the_steam_trap_lift_the_top_and_not_the_floor() -> None:
    """The trap near XV-403 sounds a fifth of the time: L10 is far above L90, and L90 stays at background."""
    plant = Plant(1)
    near = levels(plant, "AE-403", LIVE_US, LIVE_US + HOUR_US)
    acoustics = plant.acoustics[3]
    background = acoustics.background_db(3, np.arange(LIVE_US, LIVE_US + HOUR_US, 2 * S, dtype=np.int64))
    assert np.percentile(near, 90) - np.percentile(near, 10) > 3
    assert np.percentile(near, 10) == pytest.approx(np.percentile(background, 10), abs=0.5)


def test_the_compressor_lifts_its_group_while_it_runs() -> None:
    plant = Plant(2)
    batch = plant.samples(LIVE_US, LIVE_US + 8 * HOUR_US)
    run = batch.series == plant.names.index(COMPRESSOR)
    air = batch.series == plant.names.index("AE-301")
    when = np.searchsorted(batch.time_us[run], batch.time_us[air]) - 1
    running = batch.value[run][np.maximum(when, 0)] > 0.5
    value = batch.value[air]
    assert np.median(value[running]) - np.median(value[~running]) == pytest.approx(6, abs=1.6)


def test_the_stroking_valve_says_so() -> None:
    plant = Plant(1)
    position = levels(plant, "ZT-503", LIVE_US, LIVE_US + 4 * HOUR_US)
    assert (position > 90).mean() == pytest.approx(240 / 7200, abs=0.01)
    assert (levels(plant, "ZT-502", LIVE_US, LIVE_US + HOUR_US) < 2).all()


def test_the_story_suits_the_person_watching() -> None:
    """Leak within 15 s of wall time, repair two to three minutes later, the next leak elsewhere."""
    first, second, *_ = Story.told(1, LIVE_US, 60).leaks
    assert 0 < (first.start_us - LIVE_US) / 60 / S <= 15
    assert 120 <= (first.end_us - first.start_us) / 60 / S <= 180
    assert second.start_us > first.end_us
    assert second.valve not in PONDS.place_of


def test_a_cycle_is_on_for_its_share() -> None:
    cycle = Cycle(100.0, 25.0, 10.0)
    t_us = np.arange(0, 200, dtype=np.int64) * S
    assert cycle.on(t_us).sum() == 50
    assert cycle.on(np.array([10 * S, 34 * S, 35 * S])).tolist() == [True, True, False]


def test_noise_is_standard_normal_and_forgets() -> None:
    """Mean 0, variance 1; correlation nearly whole within a hundredth of the period, none after two."""
    n = np.arange(200_000, dtype=np.int64)
    white = normal(stream(1, "a"), n)
    assert abs(white.mean()) < 0.01
    assert white.std() == pytest.approx(1, abs=0.01)
    assert abs(np.corrcoef(white[1:], white[:-1])[0, 1]) < 0.01
    t_s = n * 1.0
    slow = wander(stream(1, "b"), t_s, 100.0)
    assert slow.var() == pytest.approx(1, abs=0.1)
    assert np.corrcoef(slow[1:], slow[:-1])[0, 1] > 0.99
    assert abs(np.corrcoef(slow[200:], slow[:-200])[0, 1]) < 0.1


def test_uniform_is_uniform() -> None:
    draws = uniform(stream(9, "u"), np.arange(100_000, dtype=np.int64))
    assert np.histogram(draws, 10, (0, 1))[0] == pytest.approx(10_000, abs=400)
