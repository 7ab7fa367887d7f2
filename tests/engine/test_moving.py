"""What is remembered of moves, and whose windows still hold the sound from before (`engine.moving`).

Window lengths and thresholds of the plants: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hissmark.engine.change import Level, settings_change
from hissmark.engine.intake import NEVER
from hissmark.engine.moving import LEAST_SHARE, RESTLESS_S, turning, weight_of
from hissmark.engine.settings import ConditionRule
from support.rig import START_US, US, Rig, learned_rig, row_of_valves, valve, with_settings

BASE = {f"AE-{i + 1}": 22.0 + i for i in range(4)}
QUICK_NAMES = ("AE-1", "AE-2", "AE-3")
SLOW = {"AE-4": 600.0, **dict.fromkeys(QUICK_NAMES, 10.0)}
"""AE-4 measures every ten minutes: its window reaches over 4.25 intervals, 42.5 min."""
WINDOW_S, SLOW_WINDOW_S = 600.0, 2550.0
TICK_S = 60.0


def mixed() -> Rig:
    """Four valves, the last with a slow sensor, all learned."""
    rig = Rig(row_of_valves(4)).run(6 * 3600, BASE, every_s=SLOW)
    assert rig.engine.stepper.baselines.learned[:, 0].all()
    assert moves(rig) == (None, None)
    return rig


def moves(rig: Rig) -> tuple[float | None, float | None]:
    """Plant times at which the group last began to fall and to rise."""
    step = rig.engine.stepper
    return tuple(  # type: ignore[return-value]
        None if us[0] == NEVER else (int(us[0]) - START_US) / US for us in (step.fell_us, step.rose_us)
    )


def waits(rig: Rig) -> list[bool]:
    """Channels that cannot be blamed at the last tick."""
    step, group_us = rig.engine.stepper, int(rig.engine.intake.tick_us[0])
    look = step.look(0, rig.engine.intake)
    return turning(step, group_us, look.signal, look.signal.fresh).tolist()


def louder(by_db: float) -> dict[str, float]:
    return {**BASE, "AE-2": BASE["AE-2"] + by_db}


def test_noise_is_no_move() -> None:
    """Half the limit, and whatever the sensors' own noise does within hours."""
    assert moves(mixed().run(3600, louder(1.5), every_s=SLOW)) == (None, None)


def test_after_a_rise_all_wait_for_the_slowest_neighbours_window() -> None:
    rig = mixed()
    began = rig.now_s
    rig.run(900, louder(20.0), every_s=SLOW)
    fell, rose = moves(rig)
    assert fell is None
    assert rose is not None
    assert began <= rose <= began + WINDOW_S
    assert waits(rig) == [True] * 4
    rig.run(SLOW_WINDOW_S - WINDOW_S, louder(20.0), every_s=SLOW)
    assert waits(rig) == [False] * 4


def test_after_a_fall_each_waits_for_its_own_window() -> None:
    """The quick ones have turned over long before the slow one; what it still shows is an echo."""
    rig = mixed().run(2 * 3600, louder(20.0), every_s=SLOW)
    assert waits(rig) == [False] * 4
    began = rig.now_s
    rig.run(2 * WINDOW_S, BASE, every_s=SLOW)
    fell, _ = moves(rig)
    assert fell is not None
    assert began <= fell <= began + WINDOW_S
    assert waits(rig) == [False, False, False, True]
    rig.run(SLOW_WINDOW_S - WINDOW_S + 2 * TICK_S, BASE, every_s=SLOW)
    assert waits(rig) == [False] * 4


def test_one_move_is_noted_once_though_windows_show_it_at_many_ticks() -> None:
    rig = mixed().run(480, louder(20.0), every_s=SLOW)
    first = moves(rig)
    assert first[1] is not None
    rig.run(WINDOW_S, louder(20.0), every_s=SLOW)
    assert moves(rig) == first
    rig.run(3600, louder(20.0), every_s=SLOW).run(600, louder(35.0), every_s=SLOW)
    assert moves(rig)[1] != first[1]


def test_a_stroke_counts_as_a_move_and_a_valve_that_stays_open_as_one() -> None:
    rig = learned_rig([valve("1", closed_when="ZT-1 < 2"), *row_of_valves(3)[1:]],
                      {k: BASE[k] for k in QUICK_NAMES}, process={"ZT-1": 0.5})  # fmt: skip
    assert moves(rig)[0] is None
    began = rig.now_s
    rig.run(600, {k: BASE[k] for k in QUICK_NAMES}, {"ZT-1": 80.0})
    opened = moves(rig)[0]
    assert opened is not None
    assert began <= opened <= began + 2 * TICK_S
    rig.run(3600, {k: BASE[k] for k in QUICK_NAMES}, {"ZT-1": 80.0})
    assert moves(rig)[0] == opened
    shut = rig.now_s
    rig.run(600, {k: BASE[k] for k in QUICK_NAMES}, {"ZT-1": 0.5})
    assert (moves(rig)[0] or 0.0) >= shut


def test_another_operating_condition_by_the_tags_counts_as_a_move() -> None:
    settings = with_settings()
    settings = type(settings)(
        baseline=settings.baseline, conditions=(ConditionRule("compressor on", "K-1 > 50"),)
    )
    three = {k: BASE[k] for k in QUICK_NAMES}
    rig = learned_rig(row_of_valves(3), three, settings=settings, process={"K-1": 0.0})
    began = rig.now_s
    rig.run(600, three, {"K-1": 80.0})
    fell, rose = moves(rig)
    assert rose is None
    assert fell is not None
    assert began <= fell <= began + 2 * TICK_S


def test_a_condition_is_settled_only_once_nothing_new_is_heard_in_it() -> None:
    """With a leak that begins, the group stays settled in the condition before; once that passes it is no
    longer new."""
    rig = learned_rig(row_of_valves(4), BASE, settings=with_settings(judge={"odds_limit": 38.0}))
    step, leak = rig.engine.stepper, {"AE-1": 35.0, "AE-2": 50.0, "AE-3": 36.0, "AE-4": 27.0}
    step.settled[0] = 3
    rig.run(TICK_S, BASE)
    assert step.settled[0] == step.mode[0] == 0
    rig.run(1800, leak)
    assert step.evidence.max() > 0
    assert not step.passing.any()
    step.settled[0] = 3
    rig.run(TICK_S, leak)
    assert step.settled[0] == 3
    sooner = settings_change(Level.SITE, "", {"odds_limit": 2.0}, "Ada", "quicker")
    rig.engine.change(rig.engine.admit(replace(sooner, id=1)))
    rig.run(2 * TICK_S, leak)
    assert step.passing[rig.place("XV-2")]
    assert step.settled[0] == 0


def test_a_restless_channel_weighs_less_and_regains_its_weight() -> None:
    """Wide swings of a minute each: hardly a window is steady."""
    rig = learned_rig(row_of_valves(4), BASE)
    assert weight_of(rig.engine.stepper).tolist() == [1.0] * 4
    rng = np.random.default_rng(6)
    swings = {**BASE, "AE-2": lambda t: BASE["AE-2"] + 25.0 * (rng.random(len(t)) < 0.5)}
    rig.run(3600, swings)
    halfway = float(weight_of(rig.engine.stepper)[rig.place("AE-2")])
    assert LEAST_SHARE**2 < halfway < 1.0
    rig.run(RESTLESS_S, swings)
    least = weight_of(rig.engine.stepper)
    assert least[rig.place("AE-2")] == pytest.approx(LEAST_SHARE**2)
    assert least[rig.place("AE-1")] == 1.0
    rig.run(2 * RESTLESS_S + 1800, BASE)
    assert weight_of(rig.engine.stepper).tolist() == [1.0] * 4
