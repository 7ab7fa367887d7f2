"""The alarm journal: numbered without gaps, nothing twice, nothing changed, nothing removed."""

from __future__ import annotations

from dataclasses import replace

import pytest
import sqlalchemy as sa

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.store.journal import JournalFilter

T0 = 1_700_000_000_000_000
RAISED = JournalEntry(
    at_us=T0,
    valve="XV-102",
    group="header",
    alarm=AlarmKind.PASSING,
    event=AlarmEvent.RAISED,
    state=AlarmState.UNACKNOWLEDGED,
    priority=Priority.HIGH,
    rise_db=14.25,
    margin_db=8.5,
    reason="best fit of the group",
)
ACKNOWLEDGED = replace(
    RAISED,
    at_us=T0 + 60_000_000,
    event=AlarmEvent.ACKNOWLEDGED,
    state=AlarmState.ACKNOWLEDGED,
    operator="Mia Łęcka",
    comment="seen; 100 % sure\n√",
    action_id=3,
)


def append(store, *entries, now_us=T0 + 5):
    with store.writer(now_us=lambda: now_us) as writer, writer.transaction() as tx:
        return tx.journal(entries)


def test_entries_come_back_as_they_were(store):
    """Every field survives, with number and time of recording."""
    append(store, RAISED, ACKNOWLEDGED)
    rows = store.reader().journal()
    assert [row.entry for row in rows] == [RAISED, ACKNOWLEDGED]
    assert [(row.seq, row.recorded_us) for row in rows] == [(1, T0 + 5), (2, T0 + 5)]


def test_only_new_entries_are_numbered_and_returned(store):
    """A recovery that goes through the same ticks again appends nothing, and leaves no gap."""
    assert [row.seq for row in append(store, RAISED, RAISED)] == [1]
    again = append(store, RAISED, ACKNOWLEDGED, now_us=T0 + 99)
    assert [(row.seq, row.entry.event) for row in again] == [(2, "acknowledged")]
    assert append(store, RAISED, ACKNOWLEDGED) == []
    later = replace(RAISED, at_us=T0 + 7)
    assert [row.seq for row in append(store, later)] == [3]
    assert [row.recorded_us for row in store.reader().journal()] == [T0 + 5, T0 + 99, T0 + 5]


def test_rolled_back_entries_leave_no_gap(store):
    """Numbers of a failed transaction are given again."""
    writer = store.writer()
    transaction = writer.transaction()
    tx = transaction.__enter__()
    assert tx.journal([RAISED])[0].seq == 1
    assert transaction.__exit__(*_raised(KeyError("midway"))) is not True
    with writer.transaction() as tx:
        assert tx.journal([ACKNOWLEDGED])[0].seq == 1


def _raised(error):
    try:
        raise error
    except KeyError as caught:
        return type(caught), caught, caught.__traceback__


def test_unknown_margin_is_null(store):
    """What is not known stays unknown: None, and never NaN."""
    append(store, replace(RAISED, rise_db=None, margin_db=float("nan")))
    (row,) = store.reader().journal()
    assert row.entry.rise_db is None
    assert row.entry.margin_db is None


COLUMNS = (
    "valve, group_name, alarm, event, state, priority, rise_db, margin_db, reason, operator, "
    "comment, action_id"
)
CHANGES = {
    "update": "UPDATE journal SET comment = 'nothing happened'",
    "renumber": "UPDATE journal SET seq = seq + 10",
    "delete": "DELETE FROM journal WHERE seq = 1",
    "delete all": "DELETE FROM journal",
}
SQLITE_CHANGES = {
    "replace": f"INSERT OR REPLACE INTO journal SELECT seq, at_us, 0, {COLUMNS} FROM journal WHERE seq = 2",
    "replace key": f"REPLACE INTO journal SELECT seq + 9, at_us, 0, {COLUMNS} FROM journal WHERE seq = 1",
}


def _refused(store, statement):
    append(store, RAISED, ACKNOWLEDGED)
    engine = store.engine()
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), engine.begin() as connection:
        connection.exec_driver_sql(statement)
    assert [row.entry for row in store.reader().journal()] == [RAISED, ACKNOWLEDGED]


@pytest.mark.parametrize("change", CHANGES)
def test_nothing_on_record_can_be_changed(store, change):
    """The database itself refuses, whoever asks."""
    _refused(store, CHANGES[change])


@pytest.mark.parametrize("change", SQLITE_CHANGES)
def test_nothing_on_record_can_be_replaced(sqlite_store, change):
    """REPLACE removes rows without firing DELETE triggers; that way is closed too."""
    _refused(sqlite_store, SQLITE_CHANGES[change])


@pytest.mark.postgres
def test_the_journal_cannot_be_truncated(postgres_store):
    """TRUNCATE fires no row triggers; that way is closed too."""
    _refused(postgres_store, "TRUNCATE journal")


def test_pages_and_filters(store):
    """Keyset pages in both directions; filters by valve, group, alarm, event and time."""
    entries = [
        replace(RAISED, at_us=T0 + i * 1_000_000, valve=f"XV-{i % 3}", group=f"g{i % 2}") for i in range(12)
    ]
    fault = replace(RAISED, alarm=AlarmKind.SENSOR_FAULT, event=AlarmEvent.CLEARED)
    append(store, *entries, fault)
    reader = store.reader()
    first = reader.journal(limit=5)
    second = reader.journal(after_seq=first[-1].seq, limit=100)
    assert [row.seq for row in first + second] == list(range(1, 14))
    newest = reader.journal(before_seq=10**9, limit=4)
    assert [row.seq for row in newest] == [13, 12, 11, 10]
    assert [row.seq for row in reader.journal(before_seq=newest[-1].seq, limit=2)] == [9, 8]

    def seqs(**wanted):
        return [row.seq for row in reader.journal(JournalFilter(**wanted))]

    assert seqs(valve="XV-1") == [2, 5, 8, 11]
    assert seqs(valve="XV-1", group="g0") == [5, 11]
    assert seqs(alarm=AlarmKind.SENSOR_FAULT) == [13]
    assert seqs(event=AlarmEvent.CLEARED) == [13]
    assert seqs(from_us=T0 + 3_000_000, to_us=T0 + 5_000_000) == [4, 5]


def test_a_storm_of_entries(store):
    """Ten thousand alarms in one tick are appended in one go and recognised when they come again."""
    storm = [replace(RAISED, valve=f"XV-{i}", at_us=T0 + i % 1200) for i in range(10_000)]
    assert len(append(store, *storm)) == 10_000
    assert append(store, *storm) == []
