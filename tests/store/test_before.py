"""What stood before a moment, from the journal: on SQLite and PostgreSQL, against reading all of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority

if TYPE_CHECKING:
    from support.stores import Store

STATES = (
    (AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED),
    (AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
    (AlarmEvent.CLEARED, AlarmState.NORMAL),
    (AlarmEvent.SHELVED, AlarmState.SHELVED),
)


def entries(count: int) -> list[JournalEntry]:
    rng = np.random.default_rng(5)
    made = []
    for at in range(count):
        valve, kind = int(rng.integers(4)), list(AlarmKind)[rng.integers(3)]
        event, state = STATES[rng.integers(4)]
        group = "North" if valve < 2 else "South"
        made.append(
            JournalEntry(
                at, f"XV-{valve}", group, kind, event, state, Priority.LOW, 9.0, None, "heard", "", "", at
            )
        )
    return made


def test_the_last_entry_of_each_alarm_and_the_last_that_showed_it(store: Store) -> None:
    told = entries(120)
    with store.writer().transaction() as tx:
        tx.journal(told)
    reader = store.reader()
    for before_us in (0, 1, 37, 90, 500):
        for group in (None, "South"):
            seen = [e for e in told if e.at_us < before_us and group in (None, e.group)]
            last = {(e.valve, e.alarm): e for e in seen}
            shown = {(e.valve, e.alarm): e for e in seen if e.state is AlarmState.UNACKNOWLEDGED}
            found = reader.journal_before(before_us, group=group)
            assert {(r.entry.valve, r.entry.alarm): r.entry for r, _ in found} == last
            assert {(s.entry.valve, s.entry.alarm): s.entry for _, s in found if s is not None} == shown
