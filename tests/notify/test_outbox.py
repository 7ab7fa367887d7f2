"""The outbox on SQLite and PostgreSQL: planned once, in order, settled once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.notes import add_note, read_notes
from hissmark.store.outbox import Outbox, Planned


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def outbox(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Outbox]:
    """An outbox over a journal of three entries."""
    url = "sqlite:///hissmark.db"
    if request.param == "postgres":
        url = request.getfixturevalue("postgres_url")
    with ExitStack() as stack:
        writing = open_store(url, tmp_path)
        stack.callback(writing.dispose)
        with Writer(writing, ("AS-1",)) as writer, writer.transaction() as tx:
            tx.journal(
                JournalEntry(
                    n, f"XV-{n}", "North", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED,
                    Priority.HIGH, 14.0, None, "heard",
                )
                for n in (1, 2, 3)
            )  # fmt: skip
        reading = open_for_reading(url, tmp_path)
        stack.callback(reading.dispose)
        yield Outbox(writing, reading)


def plan(seq: int, due_us: int = 0, receiver: str = "r", kind: str = "event") -> Planned:
    return Planned(receiver, seq, kind, 0, due_us)


def test_begins_at_the_end_and_remembers_its_place(outbox: Outbox) -> None:
    assert outbox.position() is None
    assert outbox.begin_at_end() == outbox.position() == 3


def test_a_row_is_planned_once_however_often_it_is_planned(outbox: Outbox) -> None:
    outbox.plan([plan(1), plan(2, due_us=50)], 2)
    outbox.plan([plan(1), plan(2, due_us=99), plan(1, kind="unacknowledged"), plan(1, receiver="s")], 2)
    assert len(outbox.rows()) == 4
    assert [(w.planned.seq, w.entry.entry.valve) for w in outbox.due("r", 10, 10)] == [
        (1, "XV-1"),
        (1, "XV-1"),
    ]
    assert [w.planned.seq for w in outbox.due("r", 60, 10)] == [1, 1, 2]
    assert outbox.waiting() == {"r": (3, 0), "s": (1, 0)}


def test_an_outcome_stays(outbox: Outbox) -> None:
    outbox.plan([plan(1), plan(2)], 2)
    first, second = outbox.due("r", 0, 10)
    outbox.failed([first.id], "no answer")
    outbox.settle([first.id], "sent", 70)
    outbox.settle([first.id, second.id], "refused", 80)
    rows = {r.planned.seq: r for r in outbox.rows()}
    assert (rows[1].outcome, rows[1].attempts, rows[1].done_us) == ("sent", 1, 70)
    assert rows[2].outcome == "refused"
    assert outbox.last_told("r", "XV-1", "passing") == "event"
    assert outbox.last_told("r", "XV-2", "passing") is None
    assert outbox.newest_seq("XV-3", "passing") == 3


def test_what_is_settled_is_forgotten_in_time_and_what_waits_is_not(outbox: Outbox) -> None:
    outbox.plan([plan(1), plan(2), plan(3)], 3)
    outbox.settle([outbox.due("r", 0, 1)[0].id], "sent", 70)
    assert outbox.drop_beyond("r", 1, 90) == 1
    assert outbox.forget(80) == 1
    assert sorted((r.planned.seq, r.outcome) for r in outbox.rows()) == [
        (2, "dropped: too many waited"),
        (3, None),
    ]


def test_shift_notes_come_back_newest_first_and_cannot_be_changed(outbox: Outbox) -> None:
    engine = outbox._writing
    add_note(engine, "M. Okafor", "XV-1 was opened for flushing\0", "XV-1", 100)
    add_note(engine, "J. Lind", "all quiet", None, 200)
    with engine.begin() as connection:
        notes = read_notes(connection)
        assert [(n.author, n.valve, n.text) for n in notes] == [
            ("J. Lind", None, "all quiet"),
            ("M. Okafor", "XV-1", "XV-1 was opened for flushing\\0"),
        ]
        assert read_notes(connection, from_us=150) == notes[:1]
        assert read_notes(connection, to_us=150) == read_notes(connection, before_id=notes[0].id) == notes[1:]
    for statement in ("DELETE FROM shift_notes", "UPDATE shift_notes SET text = ''"):
        with pytest.raises(Exception, match="append-only"), engine.begin() as connection:
            connection.exec_driver_sql(statement)
