"""Alarms and journal entries as events of OPC UA alarm conditions (OPC 10000-9): the same for live and past.

An event's id follows from what it tells (alarm, state, time, the action behind it), so that the event heard
live and the one read from history later carry the same id, over restarts too.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from asyncua import ua
from asyncua.common.events import Event

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.opcua.moments import moment
from hissmark.opcua.shelving import left_ms

T = ua.VariantType
UNSHELVE_TIME = "ShelvingState/UnshelveTime"
FIELDS: dict[str, ua.VariantType] = {
    "EventId": T.ByteString, "EventType": T.NodeId, "SourceNode": T.NodeId, "SourceName": T.String,
    "Time": T.DateTime, "ReceiveTime": T.DateTime, "Message": T.LocalizedText, "Severity": T.UInt16,
    "ConditionClassId": T.NodeId, "ConditionClassName": T.LocalizedText, "ConditionName": T.String,
    "BranchId": T.NodeId, "Retain": T.Boolean, "EnabledState": T.LocalizedText, "EnabledState/Id": T.Boolean,
    "Quality": T.StatusCode, "Quality/SourceTimestamp": T.DateTime, "LastSeverity": T.UInt16,
    "LastSeverity/SourceTimestamp": T.DateTime, "Comment": T.LocalizedText,
    "Comment/SourceTimestamp": T.DateTime, "ClientUserId": T.String, "AckedState": T.LocalizedText,
    "AckedState/Id": T.Boolean, "ActiveState": T.LocalizedText, "ActiveState/Id": T.Boolean,
    "ActiveState/TransitionTime": T.DateTime, "InputNode": T.NodeId, "SuppressedState": T.LocalizedText,
    "SuppressedState/Id": T.Boolean, "OutOfServiceState": T.LocalizedText, "OutOfServiceState/Id": T.Boolean,
    "ShelvingState/CurrentState": T.LocalizedText, "ShelvingState/CurrentState/Id": T.NodeId,
    UNSHELVE_TIME: T.Double, "SuppressedOrShelved": T.Boolean, "MaxTimeShelved": T.Double,
    "NodeId": T.NodeId,
}  # fmt: skip
"""Every field, by its browse path. `NodeId` is the condition itself (the ConditionId of the standard)."""

SEVERITY = {Priority.LOW: 200, Priority.MEDIUM: 500, Priority.HIGH: 800}
"""In the ranges low (1 to 333), medium (334 to 666) and high (667 to 1000) of OPC 10000-5."""
ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE)
WAITING = (AlarmState.UNACKNOWLEDGED, AlarmState.RTN_UNACKNOWLEDGED)
_O = ua.ObjectIds
_UNSHELVED = (_O.ShelvedStateMachineType_Unshelved, "Unshelved")
_TIMED = (_O.ShelvedStateMachineType_TimedShelved, "Timed Shelved")
_ONE_SHOT = (_O.ShelvedStateMachineType_OneShotShelved, "One Shot Shelved")
_ABOUT_SENSORS = (_O.MaintenanceConditionClassType, "Maintenance")
_ABOUT_PROCESS = (_O.ProcessConditionClassType, "Process")


@dataclass(frozen=True, slots=True)
class Where:
    """Where an alarm stands in the address space.

    Attributes:
        condition: the alarm. source: the valve or reference point; `name` is its name. input: the variable
            that it is judged by.
    """

    condition: ua.NodeId
    source: ua.NodeId
    name: str
    input: ua.NodeId


def event_id(alarm: Alarm, more: str = "") -> bytes:
    """Sixteen bytes; `more` tells apart what is not in the journal."""
    said = f"{alarm.valve}\n{alarm.alarm}\n{alarm.state}\n{alarm.changed_us}\n{alarm.action_id}\n{more}"
    return hashlib.blake2b(said.encode(), digest_size=16).digest()


def event_of(
    alarm: Alarm, said: str, where: Where, *, received_us: int, now_us: int, max_shelve_s: int, more: str = ""
) -> Event:
    """An alarm as it is after a transition.

    Args:
        said: in words. received_us: when the service came to know it. now_us: its clock.
        more: as in `event_id`.
    """
    event = Event(where.condition)
    values = {
        **_base(alarm, said, where, received_us, more),
        **_condition(alarm),
        **_states(alarm),
        **_shelving(alarm, now_us, max_shelve_s),
        "InputNode": where.input,
        "NodeId": where.condition,
    }
    for name, value in values.items():
        event.add_property(name, value, FIELDS[name])
    return event


def _base(alarm: Alarm, said: str, where: Where, received_us: int, more: str) -> dict[str, Any]:
    return {
        "EventId": event_id(alarm, more),
        "EventType": ua.NodeId(_O.AlarmConditionType),
        "SourceNode": where.source,
        "SourceName": where.name,
        "Time": moment(alarm.changed_us),
        "ReceiveTime": moment(received_us),
        "Message": ua.LocalizedText(said),
        "Severity": SEVERITY[alarm.priority],
    }


def _condition(alarm: Alarm) -> dict[str, Any]:
    number, name = _ABOUT_SENSORS if alarm.alarm is AlarmKind.SENSOR_FAULT else _ABOUT_PROCESS
    changed = moment(alarm.changed_us)
    return {
        "ConditionClassId": ua.NodeId(number),
        "ConditionClassName": ua.LocalizedText(name),
        "ConditionName": str(alarm.alarm),
        "BranchId": ua.NodeId(),
        "Retain": alarm.active or alarm.state in WAITING,
        "Quality": ua.StatusCode(ua.StatusCodes.Good),
        "Quality/SourceTimestamp": changed,
        "LastSeverity": SEVERITY[alarm.priority],
        "LastSeverity/SourceTimestamp": changed,
        "Comment": ua.LocalizedText(alarm.comment),
        "Comment/SourceTimestamp": changed,
        "ClientUserId": alarm.operator,
    }


def _states(alarm: Alarm) -> dict[str, Any]:
    found: dict[str, Any] = {"SuppressedOrShelved": alarm.state in ASIDE}
    for name, on, words in (
        ("EnabledState", True, ("Enabled", "Disabled")),
        ("AckedState", alarm.state not in WAITING, ("Acknowledged", "Unacknowledged")),
        ("ActiveState", alarm.active, ("Active", "Inactive")),
        ("SuppressedState", alarm.state is AlarmState.SUPPRESSED_BY_DESIGN, ("Suppressed", "Unsuppressed")),
        ("OutOfServiceState", alarm.state is AlarmState.OUT_OF_SERVICE, ("Out of Service", "In Service")),
    ):
        found[name] = ua.LocalizedText(words[0] if on else words[1])
        found[f"{name}/Id"] = on
    since_us = alarm.raised_us if alarm.active else alarm.changed_us
    return {**found, "ActiveState/TransitionTime": moment(since_us)}


def _shelving(alarm: Alarm, now_us: int, max_shelve_s: int) -> dict[str, Any]:
    number, name = _UNSHELVED
    if alarm.state is AlarmState.SHELVED:
        number, name = _ONE_SHOT if alarm.shelved_once else _TIMED
    return {
        "ShelvingState/CurrentState": ua.LocalizedText(name),
        "ShelvingState/CurrentState/Id": ua.NodeId(number),
        UNSHELVE_TIME: left_ms(alarm, now_us),
        "MaxTimeShelved": max_shelve_s * 1000.0,
    }


def after(entry: JournalEntry, before: Alarm | None) -> Alarm:
    """The alarm after a line of its journal; `before`: as it was until then, if that is known.

    While it is put aside the journal does not tell whether its condition still stands: then as before.
    """
    if entry.state in ASIDE:
        active = entry.event is not AlarmEvent.CLEARED if before is None else before.active
    else:
        active = entry.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    begins = before is None or entry.event is AlarmEvent.RAISED
    return Alarm(
        entry.valve, entry.group, entry.alarm, entry.state, active, entry.priority,
        entry.at_us if begins or before is None else before.raised_us, entry.at_us, entry.rise_db,
        entry.margin_db, entry.reason, entry.operator, entry.comment, None, entry.action_id,
    )  # fmt: skip
