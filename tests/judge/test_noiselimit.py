"""From a false-alarm budget to the rise that counts: by run-length theory, checked by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import norm

from hissmark.engine.change import Level, settings_change
from hissmark.engine.readings import Tick
from hissmark.engine.standing import rise_limits
from hissmark.engine.story import tell
from hissmark.engine.tuned import NAMES
from hissmark.judge.noiselimit import YEAR_S, correlation, noise_limit
from hissmark.judge.runlength import ewma_arl
from hissmark.publish.story import told
from support.rig import QUICK, Rig, row_of_valves, with_settings

BASE = {f"AE-{i}": 30.0 for i in range(1, 5)}


def budget_of(ticks: float, tick_s: float = 60.0) -> float:
    """False alarms a year that one in so many ticks amounts to."""
    return YEAR_S / tick_s / ticks


@pytest.mark.parametrize("ticks", [1e3, 1e4, 1e6, 1e8])
def test_independent_noise_meets_the_normal_quantile(ticks: float) -> None:
    """Without correlation the mean time to a value above w is 1 / P(X > w) (`scipy.stats.norm`)."""
    assert float(noise_limit(budget_of(ticks), 60.0, 0.0)) == pytest.approx(norm.isf(1 / ticks), abs=2e-3)


@pytest.mark.parametrize(("phi", "ticks"), [(0.3, 1e3), (0.5, 1e5), (0.8, 1e6), (0.9, 1e4), (0.95, 1e7)])
def test_the_table_is_the_inverse_of_the_charts_run_length(phi: float, ticks: float) -> None:
    """At its own points; `ewma_arl` is checked against the published tables elsewhere."""
    width = float(noise_limit(budget_of(ticks), 60.0, phi))
    assert math.log(ewma_arl(1.0 - phi, width, two_sided=False)) == pytest.approx(math.log(ticks), abs=0.01)


@pytest.mark.parametrize(("phi", "ticks"), [(0.6, 3e4), (0.85, 3e3), (0.92, 5e5)])
def test_between_its_points_it_is_near(phi: float, ticks: float) -> None:
    width = float(noise_limit(budget_of(ticks), 60.0, phi))
    assert ewma_arl(1.0 - phi, width, two_sided=False) == pytest.approx(ticks, rel=0.15)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_simulated_noise_reaches_the_limit_as_often_as_the_budget_says(phi: float) -> None:
    """2,000 sensors, first-order autoregressive noise, followed until the first false alarm."""
    ticks, sensors = 1_000.0, 2_000
    limit = float(noise_limit(budget_of(ticks), 60.0, phi))
    rng = np.random.default_rng(11)
    shocks = rng.standard_normal((12_000, sensors), dtype=np.float32) * math.sqrt(1 - phi**2)
    shocks[0] = 0.0  # each begins at its background
    noise = lfilter([1.0], [1.0, -phi], shocks, axis=0)
    over = noise >= limit
    first = np.where(over.any(axis=0), over.argmax(axis=0), len(noise))
    # What was not over by the end is counted by its rate: exponential times, maximum likelihood.
    mean = first.sum() / over.any(axis=0).sum()
    assert mean == pytest.approx(ticks, rel=0.08)


def test_correlation_from_what_two_ticks_differ_by() -> None:
    rng = np.random.default_rng(5)
    for phi in (0.0, 0.5, 0.9):
        noise = 1.7 * lfilter([math.sqrt(1 - phi**2)], [1.0, -phi], rng.standard_normal(200_000))
        step = np.array([np.mean(np.diff(noise) ** 2)], np.float32)
        assert correlation(step, np.array([1.7], np.float32))[0] == pytest.approx(phi, abs=0.03)
    unknown = np.array([np.nan], np.float32)
    assert correlation(unknown, unknown)[0] == 0.0


def noisy(rig: Rig, hours: float, sd_db: dict[str, float], backgrounds: dict[str, float] = BASE) -> Rig:
    """Floors that wander: a slow noise of some minutes on every sample."""
    n = int(hours * 360)
    levels = {}
    for name, base in backgrounds.items():
        slow = lfilter([1.0], [1.0, -0.98], rig.rng.standard_normal(n) * math.sqrt(1 - 0.98**2))
        begin = rig.now_s
        wander = sd_db.get(name, 0.0) * slow
        levels[name] = lambda t, b=base, w=wander, s=begin: b + w[((t - s) / 10.0).astype(int)]
    return rig.run(hours * 3600, levels)  # type: ignore[arg-type]


def test_a_noisy_sensor_gets_a_higher_limit_and_says_so_a_calm_one_keeps_the_sites() -> None:
    rig = noisy(Rig(row_of_valves(4), QUICK), 8.0, {"AE-2": 3.0})
    loud, calm = tell(rig.engine, rig.place("XV-2")), tell(rig.engine, rig.place("XV-3"))
    assert loud is not None
    assert calm is not None
    assert (calm.limit.db, calm.limit.by_noise) == (6.0, False)
    scale = loud.background.scale_db
    assert scale is not None
    assert loud.limit.db == pytest.approx(scale * noise_limit(0.1, 60.0, loud.limit.correlation), rel=1e-4)
    assert loud.limit.db > 6.0
    assert any("Its own noise" in sentence for sentence in told(loud))
    assert not any("Its own noise" in sentence for sentence in told(calm))
    assert all(w.need == pytest.approx(loud.limit.db) for w in loud.wants if w.what == "group-rise")


def test_the_budget_is_a_setting_of_site_group_and_valve() -> None:
    assert "budget_per_year" in NAMES
    rig = noisy(Rig(row_of_valves(4), QUICK), 9.0, {"AE-2": 5.0, "AE-4": 5.0})
    rig.engine.change(
        rig.engine.admit(
            settings_change(Level.VALVE, "XV-2", {"budget_per_year": 10.0}, "Ada", "look sooner")
        )
    )
    rig.engine.change(
        rig.engine.admit(settings_change(Level.VALVE, "XV-4", {"budget_per_year": 0.0}, "Ada", "by hand"))
    )
    noisy(rig, 0.1, {"AE-2": 5.0, "AE-4": 5.0})
    loud, by_hand = tell(rig.engine, rig.place("XV-2")), tell(rig.engine, rig.place("XV-4"))
    assert loud is not None
    assert by_hand is not None
    scale = loud.background.scale_db
    assert scale is not None
    assert loud.limit.db == pytest.approx(scale * noise_limit(10.0, 60.0, loud.limit.correlation), rel=1e-4)
    assert by_hand.limit.db == 6.0


@pytest.mark.slow
def test_noise_alone_keeps_to_the_budget_in_the_whole_engine() -> None:
    """20 noisy valves for a week, windows and measured scatter and correlation as they are: how often a rise
    reaches its limit, and that none of it becomes an alarm: evidence comes on top.

    The scatter is that of 80 floors: one a tenth too small has a limit of 3.4 reached thrice as often
    """
    channels = [c for g in range(5) for c in row_of_valves(4, f"g{g}-")]
    base, budget, over = {c.source: 30.0 for c in channels}, 100.0, []
    settings = with_settings(
        QUICK, alarms={"budget_per_year": budget}, signal={"drift_limit_db": 60.0},
        baseline={"learn_s": 20 * 3600, "learn_windows": 80},
    )  # fmt: skip
    rig = Rig(channels, settings)

    def watch(tick: Tick) -> None:
        limit = rise_limits(rig.engine.stepper, tick.scale_db)
        with np.errstate(invalid="ignore"):
            over.append(tick.rise_db >= np.where(limit > 6.0, limit, np.inf))

    rig.watch = watch
    noisy(rig, 168.0, dict.fromkeys(base, 6.0), base)
    reached = np.array(over)[24 * 60 :]
    limited = rise_limits(rig.engine.stepper, rig.last.scale_db) > 6.0
    assert limited.sum() >= 15
    # Times over the limit less than an hour apart are one false alarm.
    lately = lfilter(np.ones(60), [1.0], reached, axis=0) - reached > 0.5
    episodes = int((reached & ~lately).sum())
    expected = budget * limited.sum() * len(reached) / 525_960
    assert 0.2 * expected <= episodes <= 5.0 * expected
    assert [e for e in rig.journal if e.alarm == "passing"] == []
