"""Killed at any moment and started again: state from the snapshot, the rest from the store, one journal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from hissmark.alarms.journal import ActionKind, AlarmState, JournalEntry
from hissmark.daemon.recovery import Recovered, recover
from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.snapshot import SnapshotError
from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.reader import Reader
from support.rig import (
    START_US,
    US,
    Rig,
    assert_same_ticks,
    by_group,
    row_of_valves,
    take,
    times,
    valve,
    with_settings,
)
from support.stirring import SETTINGS, Arrival, channels, in_one_piece, plant

URL = "sqlite:///hissmark.db"
Key = tuple[str, str, str, int, int]


@contextmanager
def store(folder: Path, rig: Rig) -> Iterator[tuple[Writer, Reader]]:
    """A real store, written as the daemon writes it."""
    engine = open_store(URL, folder)
    reader = Reader(open_for_reading(URL, folder))
    with Writer(engine, rig.layout.names) as writer:
        yield writer, reader
    reader.close()
    engine.dispose()


def live(rig: Rig, writer: Writer, batches: list[Batch], save_after: set[int]) -> None:
    """The worker's round: judge, store with the flags, save the state now and then."""
    for nth, batch in enumerate(batches):
        flags = rig.feed(batch)
        with writer.transaction() as tx:
            tx.samples(Batch(batch.series, batch.time_us, batch.value, flags))
            if nth in save_after:
                tx.engine_state(rig.engine.snapshot())


def recovered(reader: Reader) -> Rig:
    """A new process that has caught up with the store."""
    rig = Rig(channels(), SETTINGS)

    def keep(found: Recovered) -> None:
        rig.ticks += found.ticks
        rig.journal += found.entries

    recover(rig.engine, reader, keep)
    return rig


def keyed(entries: list[JournalEntry]) -> dict[Key, JournalEntry]:
    return {e.key: e for e in entries}


@settings(
    max_examples=6,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)
@given(data=st.data(), seed=st.integers(0, 2**32 - 1), cuts=st.integers(3, 120))
def test_killed_at_any_moment_the_journal_is_that_of_an_uninterrupted_run(
    data: st.DataObject, seed: int, cuts: int
) -> None:
    batches = Arrival(seed, 59.0, 0.0, 0, cuts, 0.02).batches(plant()[1])
    killed = data.draw(st.integers(0, cuts - 1), label="batches stored when it was killed")
    saved = data.draw(st.integers(-1, killed), label="batch after which the state was saved (-1: never)")
    whole = in_one_piece()
    with TemporaryDirectory() as folder:
        first = Rig(channels(), SETTINGS)
        with store(Path(folder), first) as (writer, reader):
            live(first, writer, batches[: killed + 1], {saved})
            second = recovered(reader)
    for batch in batches[killed:]:  # the last batch was stored but never acknowledged: it comes again
        second.feed(batch)
    again = {**keyed(first.journal), **keyed(second.journal)}
    assert again == keyed(whole.journal)
    said_before, said_after = (by_group(r.ticks, r.layout) for r in (first, second))
    assert_same_ticks({**said_before, **said_after}, by_group(whole.ticks, whole.layout))
    for key in said_before.keys() & said_after.keys():
        assert_same_ticks({key: said_before[key]}, {key: said_after[key]})


HALF_WAY_S = 5400.0


@cache
def snapshot_half_way() -> tuple[Rig, bytes, Batch]:
    """Saved while XV-2 is passing and acknowledged, XV-21 shelved; and the samples that come next."""
    everything = plant()[1]
    before = everything.time_us < START_US + int(HALF_WAY_S * US)
    rig = Rig(channels(), SETTINGS)
    rig.feed(take(everything, before))
    rig.act(ActionKind.ACKNOWLEDGE, "XV-2", 3, comment="seen")
    rig.act(ActionKind.SHELVE, "XV-21", 4, until_us=rig.last.at_us + 3_600_000_000)
    after = everything.time_us >= (rig.engine.resume_from_us or 0)
    return rig, rig.engine.snapshot(), take(everything, after)


def test_alarms_come_back_with_operator_comment_and_shelf_time() -> None:
    rig, payload, _ = snapshot_half_way()
    other = Rig(channels(), SETTINGS)
    assert other.engine.restore(payload) == []
    assert other.engine.alarms() == rig.engine.alarms()
    states = {a.valve: a.state for a in other.engine.alarms() if a.alarm == "passing"}
    assert states == {"XV-2": AlarmState.ACKNOWLEDGED, "XV-21": AlarmState.SHELVED}
    assert other.engine.action_id == 4
    assert other.engine.resume_from_us == rig.engine.resume_from_us
    assert other.engine.snapshot() == payload


def test_nothing_to_resume_before_the_first_sample() -> None:
    rig = Rig(channels(), SETTINGS)
    assert rig.engine.resume_from_us is None
    other = Rig(channels(), SETTINGS)
    other.engine.restore(rig.engine.snapshot())
    assert other.engine.resume_from_us is None


def test_a_group_that_stays_keeps_its_state_when_another_is_edited() -> None:
    """Register edited between stop and start: what fits is kept, what does not is said and learned anew."""
    rig, payload, _ = snapshot_half_way()
    edited = [
        *row_of_valves(4, upstream_pressure="PT-1", downstream_pressure="PT-2"),
        valve("30", "manifold", 0),
    ]
    other = Rig(edited, SETTINGS)
    notes = other.engine.restore(payload)
    gone = {"manifold/AE-21", "manifold/AE-22", "manifold/RP-2"}
    assert {name for name in gone if any(name in note for note in notes)} == gone
    header, before = other.engine.stepper.baselines, rig.engine.stepper.baselines
    assert (header.value[:4] == before.value[:4])[:, 0].all()
    assert not header.learned[4:].any()
    assert [(a.valve, a.state) for a in other.engine.alarms()] == [("XV-2", AlarmState.ACKNOWLEDGED)]


def test_a_channel_added_to_a_group_leaves_the_others_learned() -> None:
    rig, payload, rest = snapshot_half_way()
    more = [*channels(), valve("5", "header", 4)]
    other = Rig(more, SETTINGS)
    other.engine.restore(payload)
    at = other.place("XV-5")
    learned = other.engine.stepper.baselines.learned[:, 0]
    assert not learned[at]
    assert learned[[other.place(f"XV-{i}") for i in (1, 2, 3, 4)]].all()
    index = other.layout.series_index()
    names = rig.layout.names
    renamed = np.array([index[name] for name in names], np.int32)[rest.series]
    other.feed(Batch(renamed, rest.time_us, rest.value, rest.flags))
    assert other.verdict("XV-5").text == "not testable"
    assert other.events("XV-2") == ["cleared"]


def test_a_valve_moved_to_another_group_is_said_and_learned_anew() -> None:
    _, payload, _ = snapshot_half_way()
    moved = [c for c in channels() if c.name != "AE-4"] + [valve("4", "manifold", 3)]
    other = Rig(moved, SETTINGS)
    assert any("AE-4" in note for note in other.engine.restore(payload))
    assert not other.engine.stepper.baselines.learned[other.place("XV-4")].any()


@pytest.mark.parametrize("damage", ["empty", "short", "bit", "tail", "checksum"])
def test_a_damaged_snapshot_is_refused(damage: str) -> None:
    payload = bytearray(snapshot_half_way()[1])
    if damage == "bit":
        payload[len(payload) // 2] ^= 1
    elif damage == "checksum":
        payload[0] ^= 255
    else:
        payload = payload[: {"empty": 0, "short": 4, "tail": len(payload) - 100}[damage]]
    with pytest.raises(SnapshotError, match="damaged"):
        Rig(channels(), SETTINGS).engine.restore(bytes(payload))


def test_a_snapshot_of_another_version_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hissmark.engine.snapshot.VERSION", 99)
    payload = Rig(channels(), SETTINGS).engine.snapshot()
    monkeypatch.undo()
    with pytest.raises(SnapshotError, match="version 99"):
        Engine(Rig(channels(), SETTINGS).layout).restore(payload)


def test_other_settings_that_change_a_shape_are_said_and_only_that_is_lost() -> None:
    rig, payload, _ = snapshot_half_way()
    other = Rig(channels(), with_settings(SETTINGS, signal={"window_s": 1200}))
    notes = other.engine.restore(payload)
    assert notes
    assert all("windows" in note for note in notes)
    assert other.engine.alarms() == rig.engine.alarms()


def test_a_late_position_that_waits_for_its_tick_survives_the_restart() -> None:
    """The valve was opened, the message came late, and the service was killed before the next tick."""
    names, positioned = ("AE-1", "AE-2", "AE-3"), [valve("1", closed_when="ZT-1 < 2"), *row_of_valves(3)[1:]]
    rig = Rig(positioned)
    samples = rig.samples().add("ZT-1", 5.0, 0.5)
    for name in names:
        samples.add(name, times(0, 7200, 10), 22.0 + 0.01 * times(0, 7200, 10) % 0.5)
    everything = samples.batch()
    early = everything.time_us < START_US + 5700 * US
    rig.feed(take(everything, early))
    assert rig.feed(rig.samples().add("ZT-1", 5400.0, 80.0).batch()).tolist() == [1]
    other = Rig(positioned)
    other.engine.restore(rig.engine.snapshot())
    again = take(everything, early & (everything.time_us >= (other.engine.resume_from_us or 0)))
    for one, batch in ((rig, Batch.empty()), (other, again)):
        one.feed(batch)
        one.feed(take(everything, ~early))
    assert rig.reason("XV-1").text == "open"
    assert other.reason("XV-1") is rig.reason("XV-1")
