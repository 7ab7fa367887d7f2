"""Recorded changes: what they change, from when on, and that a replay of the record says exactly the same."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from engine.test_restart import keyed, store
from hissmark.daemon.recovery import Recovered, recover
from hissmark.decode.columns import Batch
from hissmark.engine.change import (
    BaselineStep,
    Change,
    ChangeRefusedError,
    Level,
    baseline_change,
    losses_reset,
    repair_done,
    settings_change,
)
from hissmark.judge.verdicts import BaselineState
from hissmark.store.changes import record_change
from support.rig import (
    START_US,
    US,
    Rig,
    assert_same_ticks,
    by_group,
    journal_of,
    learned_rig,
    row_of_valves,
    seconds,
)
from support.stirring import LATENESS_S, SETTINGS, Arrival, channels, in_one_piece, plant

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0}
LEAK = {"AE-1": 27.0, "AE-2": 33.5, "AE-3": 26.0}

QUIETLY = settings(
    max_examples=4,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)


def wanted() -> list[tuple[float, Change]]:
    """(plant time, change): what people did while the plant of `stirring` ran."""
    tight = {"rise_limit_db": 12.0, "on_delay_s": 300}
    calm = {"drift_limit_db": 1.0, "off_delay_s": 900}
    copied = {"condition": 0, "value_db": 18.0, "scale_db": 1.0}
    return [
        (
            2500.0,
            settings_change(Level.GROUP, "header", tight, "Ada", "noisy"),
        ),
        (3600.0, baseline_change(BaselineStep.HOLD, "XV-22", "Ada", "look at it")),
        (
            4200.0,
            settings_change(Level.SITE, "", calm, "Ben", "calmer"),
        ),
        (
            4800.0,
            settings_change(Level.VALVE, "XV-2", {"rise_limit_db": 30.0}, "Ada", "known"),
        ),
        (
            5400.0,
            baseline_change(BaselineStep.SET, "RP-2", "Ben", "copied", **copied),
        ),
        (6000.0, losses_reset("manifold", "Ben", "new pipe")),
        (6600.0, settings_change(Level.GROUP, "header", {"rise_limit_db": None}, "Ada", "back again")),
    ]


def ask(rig: Rig, number: int, change: Change) -> Change:
    """As the worker does it: admitted, on record, taken up. Returns it as it is on record."""
    admitted = rig.engine.admit(Change(**{**_fields(change), "id": number}))
    rig.engine.change(admitted)
    return admitted


def _fields(change: Change) -> dict[str, object]:
    return {name: getattr(change, name) for name in Change.__slots__}


@cache
def live() -> tuple[Rig, tuple[Change, ...]]:
    """The plant with changes in the middle, heard minute by minute; and what went on record."""
    rig, on_record, waiting = Rig(channels(), SETTINGS), [], wanted()
    batches = Arrival(5, LATENESS_S - 1.0, 0.0, 0, 240, 0.0).batches(plant()[1])
    for batch in batches:
        rig.feed(batch)
        while waiting and rig.ticks and seconds(rig.last.at_us) >= waiting[0][0]:
            on_record.append(ask(rig, len(on_record) + 1, waiting.pop(0)[1]))
    assert not waiting
    return rig, tuple(on_record)


def test_the_changes_changed_something() -> None:
    """Else the comparisons below would compare nothing."""
    one, other = in_one_piece(), live()[0]
    assert journal_of(other.ticks) != journal_of(one.ticks)
    assert len({c.effective_us for c in live()[1]}) == len(live()[1])


@QUIETLY
@given(seed=st.integers(0, 2**32 - 1), cuts=st.integers(1, 300))
@example(seed=1, cuts=1)
def test_replayed_with_the_changes_on_record_the_answers_are_the_same(seed: int, cuts: int) -> None:
    """Handed over all at once before the first sample, however the samples are cut."""
    one, on_record = live()
    other = Rig(channels(), SETTINGS)
    for change in on_record:
        other.engine.change(change)
    for batch in Arrival(seed, LATENESS_S - 1.0, 0.0, 0, cuts, 0.0).batches(plant()[1]):
        other.feed(batch)
    assert journal_of(other.ticks) == journal_of(one.ticks)
    assert_same_ticks(by_group(one.ticks, one.layout), by_group(other.ticks, other.layout))


@QUIETLY
@given(data=st.data(), seed=st.integers(0, 2**32 - 1), cuts=st.integers(5, 120))
def test_killed_at_any_moment_the_changes_count_from_the_same_tick(
    data: st.DataObject, seed: int, cuts: int
) -> None:
    """State saved at some round, killed at a later one: what is on record since counts in time."""
    batches = Arrival(seed, 59.0, 0.0, 0, cuts, 0.02).batches(plant()[1])
    killed = data.draw(st.integers(0, cuts - 1), label="rounds stored when it was killed")
    saved = data.draw(st.integers(-1, killed), label="round after which the state was saved (-1: never)")
    first, on_record, waiting = Rig(channels(), SETTINGS), [], wanted()
    second, whole = Rig(channels(), SETTINGS), Rig(channels(), SETTINGS)

    def keep(found: Recovered) -> None:
        second.ticks += found.ticks
        second.journal += found.entries

    with TemporaryDirectory() as folder, store(Path(folder), first) as (writer, reader):
        for nth, batch in enumerate(batches[: killed + 1]):
            while waiting and first.ticks and seconds(first.last.at_us) >= waiting[0][0]:
                number = record_change(writer._engine, waiting.pop(0)[1], 0)
                row = reader.change(number)
                assert row is not None
                on_record.append(ask(first, number, row.change))
                with writer.transaction() as tx:
                    tx.action_applied(number, on_record[-1].effective_us, "applied")
            flags = first.feed(batch)
            with writer.transaction() as tx:
                tx.samples(Batch(batch.series, batch.time_us, batch.value, flags))
                if nth == saved:
                    tx.engine_state(first.engine.snapshot())
        recover(second.engine, reader, keep)
    for change in on_record:
        whole.engine.change(change)
    whole.feed(plant()[1])
    for batch in batches[killed:]:
        second.feed(batch)
    assert {**keyed(first.journal), **keyed(second.journal)} == keyed(whole.journal)
    said = {**by_group(first.ticks, first.layout), **by_group(second.ticks, second.layout)}
    assert_same_ticks(said, by_group(whole.ticks, whole.layout))


def test_a_limit_counts_from_the_next_tick_and_back_again() -> None:
    rig = learned_rig(row_of_valves(3), BASE)
    rig.run(1800, LEAK)
    assert rig.verdict("XV-2").text == "passing"
    ask(rig, 1, settings_change(Level.VALVE, "XV-2", {"rise_limit_db": 12.0}, "Ada", "noisy neighbourhood"))
    rig.run(60, LEAK)
    assert rig.engine.stepper.tuned.values_of(rig.place("XV-2"))["rise_limit_db"] == 12.0
    rig.run(3600, BASE)
    rig.run(3600, LEAK)
    assert rig.verdict("XV-2").text != "passing"
    ask(rig, 2, settings_change(Level.VALVE, "XV-2", {"rise_limit_db": None}, "Ada", "back"))
    rig.run(1800, LEAK)
    assert rig.verdict("XV-2").text == "passing"


def test_the_narrower_level_wins_and_another_group_is_left_alone() -> None:
    rig = Rig([*row_of_valves(2), *row_of_valves(2, "b")])
    rig.run(600, {f"AE-{n}": 20.0 for n in ("1", "2", "b1", "b2")})
    ask(rig, 1, settings_change(Level.SITE, "", {"margin_db": 5.0}, "a", ""))
    ask(rig, 2, settings_change(Level.GROUP, "b", {"margin_db": 4.0}, "a", ""))
    ask(rig, 3, settings_change(Level.VALVE, "XV-b2", {"margin_db": 2.0}, "a", ""))
    rig.run(120, {f"AE-{n}": 20.0 for n in ("1", "2", "b1", "b2")})
    assert rig.engine.stepper.tuned.margin_db.tolist() == [5.0, 5.0, 4.0, 2.0]
    other = Rig([*row_of_valves(2), *row_of_valves(2, "b")])
    other.engine.restore(rig.engine.snapshot())
    assert other.engine.stepper.tuned.margin_db.tolist() == [5.0, 5.0, 4.0, 2.0]
    assert other.engine.change_id == 3


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (settings_change(Level.VALVE, "XV-9", {"margin_db": 1.0}, "a", ""), "no valve or sensor 'XV-9'"),
        (settings_change(Level.GROUP, "nowhere", {"margin_db": 1.0}, "a", ""), "no group 'nowhere'"),
        (settings_change(Level.SITE, "", {"window_s": 60.0}, "a", ""), "cannot be tuned"),
        (settings_change(Level.SITE, "", {"rise_limit_db": 90.0}, "a", ""), "between 0.5 and 60"),
        (settings_change(Level.SITE, "", {"deadband_db": 7.0}, "a", ""), "no alarm would clear"),
        (settings_change(Level.SITE, "", {"clear_db": 25.0}, "a", ""), "severe"),
        (settings_change(Level.SITE, "", {"margin_db": float("nan")}, "a", ""), "must be a number"),
        (settings_change(Level.SITE, "", {}, "a", ""), "needs values"),
        (baseline_change(BaselineStep.APPROVE, "XV-1", "a", ""), "not learned a baseline"),
        (baseline_change(BaselineStep.HOLD, "XV-1", "a", "", condition=7), "no operating condition 7"),
        (baseline_change(BaselineStep.SET, "XV-1", "a", "", value_db=20.0, scale_db=1.0), "the operating"),
        (
            baseline_change(BaselineStep.SET, "XV-1", "a", "", condition=0, value_db=20.0, scale_db=0.0),
            "believable scale",
        ),
        (losses_reset("nowhere", "a"), "no group 'nowhere'"),
        (repair_done("XV-1", 0, "a"), "time at which it was done"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_in_words(change: Change, says: str) -> None:
    rig = Rig(row_of_valves(3)).run(600, BASE)
    with pytest.raises(ChangeRefusedError, match=says):
        rig.engine.admit(change)


def state_of(rig: Rig, valve: str) -> BaselineState:
    return BaselineState(int(rig.value(valve, "baseline_state")))


def test_a_held_baseline_follows_nothing_until_it_is_released() -> None:
    rig = learned_rig(row_of_valves(3), BASE)
    ask(rig, 1, baseline_change(BaselineStep.HOLD, "XV-2", "Ada", "work nearby"))
    creeping = {name: level + 1.0 for name, level in BASE.items()}
    rig.run(8 * 3600, creeping)
    baseline = rig.engine.stepper.baselines.value[:, 0]
    moved = baseline - np.array(list(BASE.values())) + rig.value("XV-2", "scale_db")
    assert state_of(rig, "XV-2") is BaselineState.HELD
    held = rig.value("XV-2", "baseline_db")
    assert moved[0] > moved[1]
    ask(rig, 2, baseline_change(BaselineStep.RELEASE, "XV-2", "Ada", "done"))
    rig.run(8 * 3600, creeping)
    assert state_of(rig, "XV-2") is BaselineState.TRACKING
    assert rig.value("XV-2", "baseline_db") > held


def test_an_approved_baseline_is_the_anchor_of_further_drift() -> None:
    rig = learned_rig(row_of_valves(3), BASE)
    bank, at = rig.engine.stepper.baselines, rig.place("XV-2")
    bank.value[at, 0] += 1.0
    ask(rig, 1, baseline_change(BaselineStep.APPROVE, "XV-2", "Ada", "looked at"))
    assert bank.anchor[at, 0] == bank.value[at, 0]
    rig.run(60, BASE)
    assert state_of(rig, "XV-2") is BaselineState.APPROVED


def test_a_baseline_learned_anew_takes_the_valve_out_of_the_judgement_meanwhile() -> None:
    rig = learned_rig(row_of_valves(3), BASE)
    louder = {**BASE, "AE-2": 40.0}
    ask(rig, 1, baseline_change(BaselineStep.RELEARN, "XV-2", "Ada", "new sensor"))
    rig.run(1800, louder)
    assert rig.reason("XV-2").text == "baseline learning"
    rig.run(4 * 3600, louder)
    assert rig.verdict("XV-2").text == "quiet"
    assert rig.value("XV-2", "baseline_db") == pytest.approx(39.5, abs=1.0)


def test_a_baseline_set_by_hand_is_judged_by_at_once() -> None:
    rig = Rig(row_of_valves(3)).run(600, BASE)
    assert rig.reason("XV-2").text == "baseline learning"
    found = {"condition": 0, "value_db": 24.6, "scale_db": 0.6}
    ask(rig, 1, baseline_change(BaselineStep.SET, "XV-2", "Ada", "the old sensor's", **found))
    rig.run(60, BASE)
    assert rig.verdict("XV-2").text == "quiet"
    assert rig.value("XV-2", "rise_db") == pytest.approx(0.0, abs=1.0)


def test_a_change_waits_for_groups_that_are_behind() -> None:
    """A site's setting counts for each group from its first tick after the newest tick of all."""
    rig = Rig([*row_of_valves(2), *row_of_valves(2, "b")])
    rig.run(600, {"AE-1": 20.0, "AE-2": 20.0, "AE-b1": 20.0, "AE-b2": 20.0})
    rig.run(3600, {"AE-1": 20.0, "AE-2": 20.0})
    on_record = ask(rig, 1, settings_change(Level.SITE, "", {"margin_db": 5.0}, "a", ""))
    assert on_record.effective_us == rig.last.at_us
    assert rig.engine.stepper.tuned.margin_db.tolist() == [5.0, 5.0, 3.0, 3.0]
    other = Rig([*row_of_valves(2), *row_of_valves(2, "b")])
    other.engine.restore(rig.engine.snapshot())
    for one in (rig, other):
        one.now_s = 4200.0
        one.run(300, {"AE-b1": 20.0, "AE-b2": 20.0})
        assert one.engine.stepper.tuned.margin_db.tolist() == [5.0, 5.0, 5.0, 5.0]
    assert rig.last.at_us > START_US + 4200 * US
