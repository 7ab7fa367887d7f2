"""A confirmed repair teaches transmission losses, as a valve that opens does."""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.engine.change import repair_done
from hissmark.engine.losses import losses_of
from support.rig import START_US, US, Rig, learned_rig, row_of_valves

BASE = {f"AE-{i}": 20.0 for i in range(1, 6)}
LEAK_ONLY = {"AE-1": 56.0, "AE-2": 60.0, "AE-3": 57.0, "AE-4": 50.0, "AE-5": 46.0}
"""A leak at XV-2 as each sensor hears it, dB."""


def leaking() -> dict[str, float]:
    """Powers add (energetic addition of levels, ISO 3744)."""
    return {k: 10 * np.log10(10 ** (BASE[k] / 10) + 10 ** (v / 10)) for k, v in LEAK_ONLY.items()}


def passed() -> Rig:
    rig = learned_rig(row_of_valves(5), BASE).run(2 * 3600, leaking())
    assert rig.verdict("XV-2").text == "passing"
    return rig


def record(rig: Rig, valve: str, at_s: float, number: int = 1) -> None:
    change = repair_done(valve, START_US + int(at_s * US), "Ada", "new seat")
    rig.engine.change(rig.engine.admit(change))


def profile_errors(rig: Rig) -> list[float]:
    """How far what a leak at XV-2 is expected to lose on its way is from what it lost, dB."""
    expected = rig.engine.stepper.acoustics.loss_db[0, 1, :5]
    true = LEAK_ONLY["AE-2"] - np.array(list(LEAK_ONLY.values()))
    return np.abs(expected - true).tolist()


def test_before_less_after_is_a_measurement() -> None:
    rig = passed()
    before, register = profile_errors(rig), losses_of(rig.engine, 0)
    record(rig, "XV-2", rig.now_s)
    rig.run(1500, BASE)
    assert losses_of(rig.engine, 0).measured == 0  # not quiet for long enough to be believed
    rig.run(3600, BASE)
    after = losses_of(rig.engine, 0)
    assert after.measured == 1
    assert sum(profile_errors(rig)) < 0.4 * sum(before)
    assert all(a.sd_db < b.sd_db for a, b in zip(after.pairs, register.pairs, strict=True))
    rig.run(7200, BASE)
    assert losses_of(rig.engine, 0).measured == 1  # once


def test_a_repair_put_on_record_a_day_later_teaches_as_much() -> None:
    rig = passed()
    done_s = rig.now_s
    rig.run(86_400, BASE, every_s=30.0)
    record(rig, "XV-2", done_s)
    rig.run(3600, BASE)
    assert losses_of(rig.engine, 0).measured == 1


@pytest.mark.parametrize("valve", ["XV-2", "XV-3"])
def test_a_repair_that_ended_nothing_teaches_nothing(valve: str) -> None:
    """The leak goes on, or it was another valve's."""
    rig = passed()
    record(rig, valve, rig.now_s)
    rig.run(8 * 3600, leaking() if valve == "XV-2" else BASE)
    rig.run(3600, BASE)
    assert losses_of(rig.engine, 0).measured == 0


def test_without_pressure_difference_quiet_proves_nothing() -> None:
    tested = {"upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
    rig = learned_rig(row_of_valves(5, **tested), BASE, process={"PT-1": 40.0, "PT-2": 2.0})
    rig.run(2 * 3600, leaking(), {"PT-1": 40.0, "PT-2": 2.0})
    record(rig, "XV-2", rig.now_s)
    rig.run(3 * 3600, BASE, {"PT-1": 2.1, "PT-2": 2.0})
    assert losses_of(rig.engine, 0).measured == 0
    rig.run(3 * 3600, BASE, {"PT-1": 40.0, "PT-2": 2.0})
    assert losses_of(rig.engine, 0).measured == 1


def test_what_is_remembered_survives_a_restart() -> None:
    rig = passed()
    record(rig, "XV-2", rig.now_s)
    rig.run(900, BASE)
    other = Rig(row_of_valves(5), seed=2)
    other.engine.restore(rig.engine.snapshot())
    other.now_s = rig.now_s
    other.run(3600, BASE)
    assert losses_of(other.engine, 0).measured == 1
