"""Alarms and journal entries as JSON."""

from __future__ import annotations

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmKind
from hissmark.publish.reading import number
from hissmark.publish.sentences import advice, alarm_parts, flat, journal_sentence
from hissmark.publish.shapes import AlarmShape, GroupReading, JournalShape
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.records import JournalRow


def alarm_shape(alarm: Alarm, reading: GroupReading | None, now_us: int, worth: str = "") -> AlarmShape:
    """One alarm with its sentence as of `now_us` (microseconds since 1970 UTC).

    `worth` says how much leaks, with its interval; it goes with a passing alarm that is active.
    """
    parts = alarm_parts(alarm, reading)
    if worth and alarm.active and alarm.alarm is AlarmKind.PASSING:
        parts.append(f" {worth}")
    return {
        "valve": alarm.valve,
        "group": alarm.group,
        "alarm": alarm.alarm.value,
        "state": alarm.state.value,
        "active": alarm.active,
        "priority": alarm.priority.value,
        "raised_at": rfc3339(alarm.raised_us),
        "changed_at": rfc3339(alarm.changed_us),
        "rise_db": _finite(alarm.rise_db),
        "margin_db": _finite(alarm.margin_db),
        "reason": alarm.reason,
        "operator": alarm.operator,
        "comment": alarm.comment,
        "shelved_until": rfc3339_or_none(alarm.shelved_until_us),
        "sentence": flat(parts, now_us),
        "parts": parts,
        "advice": advice(alarm),
    }


def journal_shape(row: JournalRow, worth: str = "") -> JournalShape:
    """One line of the journal as the contract has it, and in words; `worth` goes with a leak that begins."""
    entry = row.entry
    said = journal_sentence(entry)
    return {
        "seq": row.seq,
        "at": rfc3339(entry.at_us),
        "recorded_at": rfc3339(row.recorded_us),
        "valve": entry.valve,
        "group": entry.group,
        "alarm": entry.alarm.value,
        "event": entry.event.value,
        "state": entry.state.value,
        "priority": entry.priority.value,
        "rise_db": _finite(entry.rise_db),
        "margin_db": _finite(entry.margin_db),
        "reason": entry.reason,
        "operator": entry.operator,
        "comment": entry.comment,
        "origin": entry.origin,
        "sentence": f"{said} {worth}" if worth and begins(row) else said,
    }


def begins(row: JournalRow) -> bool:
    """Whether it is the line of a leak that begins."""
    return row.entry.alarm is AlarmKind.PASSING and row.entry.event is AlarmEvent.RAISED


def _finite(value: float | None) -> float | None:
    return None if value is None else number(value)
