"""The alarms that are not at rest, told from the journal alone, whether the service runs or not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmState, JournalEntry
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow

PAGE_ROWS = 1000

_ACTIVE = {AlarmEvent.RAISED: True, AlarmEvent.CLEARED: False}
_RANK = {"high": 0, "medium": 1, "low": 2}


def pages(reader: Reader, wanted: JournalFilter | None = None) -> Iterator[JournalRow]:
    """The journal from the beginning, oldest first, a page in memory at a time."""
    after = 0
    while page := reader.journal(wanted, after_seq=after, limit=PAGE_ROWS):
        yield from page
        after = page[-1].seq


def standing(reader: Reader, wanted: JournalFilter | None = None) -> list[Alarm]:
    """Every alarm that is not at rest, the most urgent and oldest first."""
    alarms: dict[tuple[str, str], Alarm] = {}
    for row in pages(reader, wanted):
        key = (row.entry.valve, row.entry.alarm.value)
        if row.entry.state is AlarmState.NORMAL:
            alarms.pop(key, None)
        else:
            alarms[key] = after_entry(alarms.get(key), row.entry, lambda i: until_us(reader, i))
    return sorted(alarms.values(), key=lambda a: (_RANK[a.priority.value], a.raised_us, a.valve))


def after_entry(before: Alarm | None, entry: JournalEntry, until_us: Callable[[int], int | None]) -> Alarm:
    """The alarm as it stands after `entry`; `until_us` looks up how long an action shelved it."""
    raised = entry.event is AlarmEvent.RAISED or before is None
    active = _ACTIVE.get(entry.event, before.active if before else False)
    if entry.state is AlarmState.UNACKNOWLEDGED or (before is None and entry.event is AlarmEvent.SUPPRESSED):
        active = True  # shown again, or suppressed before it was ever seen: its condition stands
    alarm = Alarm(
        entry.valve, entry.group, entry.alarm, entry.state, active, entry.priority,
        raised_us=entry.at_us if raised or before is None else before.raised_us,
        changed_us=entry.at_us,
        rise_db=entry.rise_db,
        margin_db=entry.margin_db,
        reason=entry.reason,
        operator=entry.operator or (before.operator if before and not raised else ""),
        comment=entry.comment or (before.comment if before and not raised else ""),
    )  # fmt: skip
    if entry.state is not AlarmState.SHELVED:
        return alarm
    if entry.event is AlarmEvent.SHELVED:
        return replace(alarm, shelved_until_us=until_us(entry.action_id))
    return replace(alarm, shelved_until_us=before.shelved_until_us if before else None)


def until_us(reader: Reader, action_id: int) -> int | None:
    """Until when an action shelved its alarm, as it was asked for."""
    action = reader.action(action_id) if action_id else None
    return None if action is None else action.request.until_us
