"""The simulated plants obey acoustics and statistics known from outside, and the scorer counts right."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from plants.group import GroupRun, Mix, simulate
from plants.noise import ar1, level, power
from plants.plant import START_US, Plant
from plants.score import Raised, exposure_of, score
from plants.truth import BIN_S, Leak, first_run
from rivals.floors import Floors, floors_of
from rivals.methods import RIVALS, cusum
from statsmodels.tsa.stattools import acf

from hissmark.engine.layout import Layout

DAYS = 12.0


@pytest.fixture(scope="module")
def runs() -> list[GroupRun]:
    return [simulate(101, i, DAYS) for i in range(30)]


def test_energy_addition_of_published_levels() -> None:
    """85, 87 and 89 dB add to 92.07 dB (ecologycenter.us, 'Background Corrections', prints 92)."""
    assert level(power([85.0, 87.0, 89.0]).sum()) == pytest.approx(92.07, abs=0.01)


def test_noise_has_the_autocorrelation_asked_for() -> None:
    """Against statsmodels: a first-order series falls to exp(-lag/tau)."""
    series = ar1(np.random.default_rng(1), 200_000, 1, 60.0, 600.0, 1.3)[:, 0]
    assert series.std() == pytest.approx(1.3, rel=0.05)
    assert acf(series, nlags=20)[[5, 10, 20]] == pytest.approx(
        np.exp(-np.array([5, 10, 20]) / 10.0), abs=0.05
    )


def test_a_seed_gives_one_plant_whatever_its_size() -> None:
    """A group is the same alone and among others, to the last sample."""
    again = simulate(101, 7, DAYS)
    other = simulate(102, 7, DAYS)
    assert np.array_equal(again.level_db, simulate(101, 7, DAYS).level_db, equal_nan=True)
    assert again.level_db.shape != other.level_db.shape or not np.array_equal(
        again.level_db, other.level_db, equal_nan=True
    )


def test_ranges_of_the_drawn_groups(runs: list[GroupRun]) -> None:
    for run in runs:
        spec = run.spec
        assert 3 <= spec.pipe.valve.sum() <= 9
        assert (~spec.pipe.valve).sum() <= 2
        assert np.all((spec.sound.background_db >= 15.0) & (spec.sound.background_db <= 55.0))
        assert np.all(np.abs(np.diff(spec.sound.background_db)) <= 15.0)
        assert np.allclose(spec.pipe.loss_db, spec.pipe.loss_db.T)
        assert np.all(np.diag(spec.pipe.loss_db) == 0.0)


def test_readings_carry_the_quantum_of_the_sensor(runs: list[GroupRun]) -> None:
    for run in runs:
        steps = run.level_db / run.spec.quantum_db
        assert np.nanmax(np.abs(steps - np.round(steps))) < 2e-3


def _leaks(runs: list[GroupRun]) -> list[tuple[GroupRun, Leak]]:
    return [(r, k) for r in runs for k in r.truth.leaks if k.passes_at(True) is not None]


def _same_without_leaks(run: GroupRun) -> GroupRun:
    return simulate(101, run.index, DAYS, Mix(leaks=0.0))


def test_a_leak_adds_its_energy_to_what_was_there(runs: list[GroupRun]) -> None:
    """Leak-only level S over the background lifts the reading by 10 lg(1 + 10^(S/10)) (energy addition)."""
    checked = 0
    for run, leak in _leaks(runs):
        c, per_bin = leak.channel, BIN_S // run.spec.grid_s
        loud = run.spec.sound.background_db[c] + run.spec.coupling_db[c] > run.spec.floor_db[c] + 10.0
        if len(run.truth.leaks) > 1 or any(f.channel == c for f in run.truth.faults) or not loud:
            continue
        lift = (run.level_db[:, c] - _same_without_leaks(run).level_db[:, c]).reshape(-1, per_bin)
        stands = (leak.stand_db >= 6.0) & leak.testable & ~np.isnan(lift).all(axis=1)
        expected = 10 * np.log10(1 + 10 ** (leak.stand_db[stands] / 10))
        error = np.nanmedian(lift[stands], axis=1) - expected
        assert abs(np.median(error)) < 0.6 + run.spec.quantum_db[c] / 4  # medians of cycling noise
        checked += 1
    assert checked >= 2


def test_before_its_onset_a_leak_changes_nothing(runs: list[GroupRun]) -> None:
    run, _ = _leaks(runs)[0]
    first = min(k.start_s for k in run.truth.leaks)
    steps = int(first // run.spec.grid_s)
    assert np.array_equal(run.level_db[:steps], _same_without_leaks(run).level_db[:steps], equal_nan=True)


def test_spill_falls_away_with_the_transmission_loss(runs: list[GroupRun]) -> None:
    """Leak-only levels (energy subtraction) at source and neighbour differ by their loss, coupling apart."""
    checked = 0
    for run, leak in _leaks(runs):
        if len(run.truth.leaks) > 1 or run.truth.faults or leak.stand_db.max() < 12.0:
            continue
        bare = _same_without_leaks(run)
        per_bin = BIN_S // run.spec.grid_s
        only = level(np.maximum(power(run.level_db) - power(bare.level_db), 1e-9)) - run.spec.coupling_db
        over = run.level_db - bare.level_db
        only = np.where(over > 6.0, only, np.nan)[np.repeat(leak.stand_db > 10.0, per_bin)]
        for other in range(run.spec.width):
            fall = only[:, leak.channel] - only[:, other]
            if other != leak.channel and np.isfinite(fall).sum() > 20:
                assert np.nanmedian(fall) == pytest.approx(run.truth.loss_db[leak.channel, other], abs=1.5)
                checked += 1
    assert checked >= 2


def test_transmission_only_loses(runs: list[GroupRun]) -> None:
    for run in runs:
        loss = run.truth.loss_db + np.eye(run.spec.width)
        assert (loss > 0.0).all()


def test_batches_hand_over_every_sample_once_and_in_order_of_arrival(runs: list[GroupRun]) -> None:
    plant = Plant(101, runs[:6])
    layout = Layout.of(plant.register, plant.settings())
    batches = list(plant.batches(layout.series_index()))
    levels = {i for i, n in enumerate(layout.names) if n.startswith("AE-")}
    series = np.concatenate([b.series for b in batches])
    times = np.concatenate([b.time_us for b in batches])
    assert np.isin(series, list(levels)).sum() == plant.samples
    assert len(np.unique(np.stack([series.astype(np.int64), times]), axis=1).T) == len(series)
    assert times.min() >= START_US - 6 * 3600 * 1_000_000


def test_tags_name_the_open_valve(runs: list[GroupRun]) -> None:
    """Where a position is known, the tag passes its limit exactly while the valve flows."""
    seen = 0
    for run in runs:
        for i, channel in enumerate(run.channels):
            if channel.closed_when is None or not run.open_bins[:, i].any():
                continue
            time_s, value = run.tags[channel.closed_when.tag]
            opened = time_s[value > channel.closed_when.limit] // BIN_S
            assert run.open_bins[opened.astype(int), i].all()
            seen += 1
    assert seen > 5


def test_a_perfect_witness_scores_perfectly_and_a_blind_one_not_at_all(runs: list[GroupRun]) -> None:
    for run in runs:
        perfect = [
            Raised("passing", k.channel, k.passes_at(False) or 0.0, k.end_s)
            for k in run.truth.leaks
            if k.passes_at(False) is not None
        ] + [Raised("sensor-fault", f.channel, f.start_s, f.end_s) for f in run.truth.faults]
        outcomes = {r.outcome for r in score(run, 101, "perfect", perfect)}
        assert outcomes <= {
            "right",
            "repeated",
            "found",
            "found fair",
            "both named",
            "both named fair",
            "fault seen",
        }
        blind = {r.outcome for r in score(run, 101, "blind", [])}
        assert blind <= {"missed", "missed fair", "pair missed", "pair missed fair", "fault missed"}


def test_an_alarm_with_no_leak_is_false_and_beside_a_leak_is_on_the_wrong_valve(runs: list[GroupRun]) -> None:
    run, leak = next((r, k) for r, k in _leaks(runs) if len(r.truth.leaks) == 1 and not r.truth.flowing.any())
    good = next(c for c in range(run.spec.width) if c != leak.channel and run.spec.pipe.valve[c])
    at = leak.passes_at(True) or 0.0
    during = score(run, 101, "x", [Raised("passing", good, at + 3600.0, at + 7200.0)])
    before = score(run, 101, "x", [Raised("passing", good, leak.start_s - 7200.0, leak.start_s - 3600.0)])
    assert during[0].outcome == "wrong valve"
    assert before[0].outcome == "false"


def test_exposure_counts_valve_time(runs: list[GroupRun]) -> None:
    quiet = next(r for r in runs if not r.truth.leaks)
    watched = exposure_of(quiet)
    assert watched.valve_years == pytest.approx(quiet.spec.pipe.valve.sum() * DAYS / 365.25, rel=1e-3)
    assert watched.quiet_valve_years == watched.valve_years


def test_first_run() -> None:
    mask = np.array([1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 1], bool)
    assert first_run(mask, 3) == 3
    assert first_run(mask, 4) == 7
    assert first_run(mask, 5) is None


def _floors(rise: np.ndarray) -> Floors:
    column = rise[:, None]
    return Floors(column + 30.0, np.ones_like(column, bool), column, np.array([0.5]), 0, np.array([True]))


def test_cusum_rival_against_a_hand_worked_sum() -> None:
    """k = 3, h = 12: after a step to 9 dB the sum runs 6, 12, 18 and passes 12 in the third bin."""
    spans = cusum(_floors(np.concatenate([np.zeros(20), np.full(10, 9.0), np.zeros(30)])))
    assert spans[0][:2] == (0, 22)
    assert spans[0][2] < 10**9


@pytest.mark.parametrize("method", list(RIVALS))
def test_every_rival_sees_a_plain_step_and_only_that(method: str) -> None:
    """12 dB for a day over half a decibel of noise."""
    rise = np.random.default_rng(5).normal(0.0, 0.5, 1000)
    rise[500:644] += 12.0
    floors = replace(_floors(rise), learned=288)
    spans = RIVALS[method](floors)
    assert len(spans) == 1
    assert 500 <= spans[0][1] <= 512


def test_floors_are_the_tenth_percentile(runs: list[GroupRun]) -> None:
    """Against numpy's inverted_cdf percentile on full bins."""
    run = next(r for r in runs if set(r.spec.cadence_s) == {60})
    blocks = run.level_db.reshape(-1, BIN_S // 60, run.spec.width)
    full = ~np.isnan(blocks).any(axis=(1, 2))
    expected = np.percentile(blocks[full], 10, axis=1, method="inverted_cdf")
    assert floors_of(run).level_db[full] == pytest.approx(expected)
