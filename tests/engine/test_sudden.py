"""What came suddenly may be an operating condition never heard before; what has grown is not. Levels: common
practice, no source."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from hissmark.judge.verdicts import Verdict
from support.rig import Rig, learned_rig, row_of_valves, valve

HOUR_S = 3600
QUIET_DB = 30.0
UNREST_DB = 1.2
NAMES = [f"AE-{i + 1}" for i in range(5)]

F64 = npt.NDArray[np.float64]
Sound = dict[str, Callable[[F64], F64]]


def own_sounds(rise_db: tuple[float, ...]) -> Sound:
    """Every place makes its own noise, as unsteady as it always was."""
    rng = np.random.default_rng(3)

    def at(level: float) -> Callable[[F64], F64]:
        return lambda t: np.full(len(t), level) + rng.normal(0.0, UNREST_DB, len(t))

    return {name: at(QUIET_DB + rise) for name, rise in zip(NAMES, rise_db, strict=True)}


def with_leak(at: int, level_db: Callable[[F64], F64], step_db: float = 7.0) -> Sound:
    """The same backgrounds with one source on top, heard everywhere as it swings."""
    quiet = own_sounds((0.0,) * 5)

    def heard(i: int, name: str) -> Callable[[F64], F64]:
        loss = step_db * abs(i - at)
        return lambda t: 10 * np.log10(10 ** (quiet[name](t) / 10) + 10 ** ((level_db(t) - loss) / 10))

    return {name: heard(i, name) for i, name in enumerate(NAMES)}


def learned(**more: object) -> Rig:
    return learned_rig(row_of_valves(5), own_sounds((0.0,) * 5), noise_db=0.1, **more)  # type: ignore[arg-type]


def raised(rig: Rig) -> list[str]:
    return [v for v, alarm, event in rig.story() if (alarm, event) == ("passing", "raised")]


def sudden(rig: Rig) -> bool:
    return bool(rig.engine.stepper.sudden_us[0] > 0)


def test_a_condition_that_lifts_every_valve_by_itself_blames_none() -> None:
    """Two valves far apart rise most; losses that are not known would let either be the other's spill."""
    rig = learned().run(6 * HOUR_S, own_sounds((1.5, 8.0, 3.5, 2.3, 7.2)), every_s=60)
    assert sudden(rig)
    assert raised(rig) == []
    assert rig.verdict("XV-2") is not Verdict.PASSING


def test_a_leak_that_begins_suddenly_is_named_within_the_half_hour() -> None:
    rig = learned().run(HOUR_S / 2, with_leak(1, lambda t: np.full(len(t), 40.0)), every_s=60)
    assert sudden(rig)
    assert raised(rig) == ["XV-2"]


def test_a_leak_that_grows_is_no_sudden_change() -> None:
    rig = learned()
    began = rig.now_s
    rig.run(8 * HOUR_S, with_leak(1, lambda t: 22.0 + 2.0 * (t - began) / HOUR_S), every_s=60)
    assert not sudden(rig)
    assert raised(rig) == ["XV-2"]


def test_what_is_as_usual_again_is_forgotten() -> None:
    rig = learned().run(HOUR_S, own_sounds((6.0, 1.0, 5.0, 0.0, 7.0)), every_s=60)
    assert sudden(rig)
    assert not sudden(rig.run(2 * HOUR_S, own_sounds((0.0,) * 5), every_s=60))


def test_what_a_valve_leaves_behind_that_has_just_moved_is_no_news() -> None:
    """A seat that did not close is what one expects after a stroke: no operating condition."""
    row = [valve(str(i + 1), position=i, **({"closed_when": "ZT-2 < 2"} if i == 1 else {})) for i in range(5)]
    closed, quiet = {"ZT-2": 0.0}, own_sounds((0.0,) * 5)
    rig = learned_rig(row, quiet, noise_db=0.1, process=closed)  # type: ignore[arg-type]
    rig.run(600, with_leak(1, lambda t: np.full(len(t), 70.0)), {"ZT-2": 100.0}, every_s=60)
    assert not sudden(rig)
    rig.run(2 * HOUR_S, with_leak(1, lambda t: np.full(len(t), 45.0)), closed, every_s=60)
    assert not sudden(rig)
    assert raised(rig) == ["XV-2"]
