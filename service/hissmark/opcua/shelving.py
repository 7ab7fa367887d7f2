"""How an alarm is shelved: the journal says that it is, the action behind it until when."""

from __future__ import annotations

from dataclasses import replace

from hissmark.alarms.journal import ActionKind, Alarm, AlarmState
from hissmark.store.reader import Reader


def with_shelving(reader: Reader, alarm: Alarm) -> Alarm:
    """An alarm as a line of the journal left it, with what its action asked for."""
    if alarm.state is not AlarmState.SHELVED or not alarm.action_id:
        return alarm
    row = reader.action(alarm.action_id)
    if row is None:
        return alarm
    once = row.request.kind is ActionKind.SHELVE_ONCE
    return replace(alarm, shelved_until_us=row.request.until_us, shelved_once=once)


def left_ms(alarm: Alarm, now_us: int) -> float:
    """How long it stays on the shelf at the longest; 0 if it is not there."""
    if alarm.state is not AlarmState.SHELVED or alarm.shelved_until_us is None:
        return 0.0
    return max(0, alarm.shelved_until_us - now_us) / 1000
