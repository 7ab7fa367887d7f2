"""Our alarms as OPC UA alarm conditions (OPC 10000-9), with acknowledgement, comment and refresh.

Each alarm is one condition that stays; its branch is always the current one. Events are sent by the valve's
object, so a client may listen to one valve, or to the site for all.
"""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import structlog
from asyncua import Server, ua
from asyncua.common.event_objects import RefreshEndEvent, RefreshStartEvent

from hissmark.alarms.journal import ActionKind, Alarm, AlarmKind, AlarmState, Priority
from hissmark.opcua.people import operator_name
from hissmark.opcua.space import Space
from hissmark.store.records import ActionRequest
from hissmark.web.context import ActionOutcome

log = structlog.get_logger("hissmark.opcua")

ACKNOWLEDGE, REFRESH = 9111, 3875
"""Methods of AcknowledgeableConditionType and ConditionType in the standard's own address space."""
SEVERITY = {Priority.LOW: 200, Priority.MEDIUM: 500, Priority.HIGH: 800}
"""In the ranges low (1 to 333), medium (334 to 666) and high (667 to 1000) of OPC 10000-5."""
ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE)
WAITING = (AlarmState.UNACKNOWLEDGED, AlarmState.RTN_UNACKNOWLEDGED)
Key = tuple[str, str]
Act = Callable[[ActionRequest], ActionOutcome]


class Conditions:
    """Keeps the conditions in step with the alarms of the site.

    Args:
        act: puts an operator's action on record and waits for its outcome.
        sentence: says an alarm in words.
    """

    def __init__(self, server: Server, space: Space, act: Act, sentence: Callable[[Alarm], str]) -> None:
        self._server, self._space, self._act, self._sentence = server, space, act, sentence
        self._everywhere = (space.site.nodeid, ua.NodeId(ua.ObjectIds.Server))
        self._standing: dict[Key, Alarm] = {}
        self._events: dict[Key, Any] = {}
        self._keys: dict[bytes, Key] = {}
        """EventId of the latest event of each condition -> which it is."""

    def link(self) -> None:
        """Answer the methods that the standard defines."""
        for number, method in ((ACKNOWLEDGE, self._acknowledge), (REFRESH, self._refresh)):
            self._server.link_method(self._server.get_node(ua.NodeId(number)), method)

    async def follow(self, alarms: list[Alarm]) -> None:
        """Send an event for each alarm that has changed since the last call; gone alarms come to rest."""
        fresh = {(a.valve, str(a.alarm)): a for a in alarms}
        for key, alarm in fresh.items():
            if _differs(self._standing.get(key), alarm):
                await self._tell(key, alarm)
        for key in self._standing.keys() - fresh.keys():
            last = self._standing[key]
            await self._tell(key, replace(last, state=AlarmState.NORMAL, active=False))
        self._standing = fresh

    async def _tell(self, key: Key, alarm: Alarm) -> None:
        event = self._events.get(key)
        if event is None:
            event = self._events[key] = await self._new_event(key)
        self._keys.pop(bytes(event.EventId.Value) if event.EventId else b"", None)
        _fill(event, alarm, self._sentence(alarm))
        self._keys[bytes(event.EventId.Value)] = key
        await self._send(event, self._heard_at(key))

    async def _send(self, event: Any, places: tuple[Any, ...], subscription: int | None = None) -> None:
        """To whoever listens at one of these nodes. The library does not carry events up the hierarchy."""
        for place in places:
            event.emitting_node = place
            await self._server.iserver.subscription_service.trigger_event(event, subscription)

    def _heard_at(self, key: Key) -> tuple[Any, ...]:
        """Where an alarm of a valve can be heard: at its own object, the site's and the server's."""
        return (self._space.subjects[key[0]].nodeid, *self._everywhere)

    async def _new_event(self, key: Key) -> Any:
        subject, kind = key
        node, ident = self._space.subjects[subject], self._space.condition(subject, kind)
        await node.add_object(ident, ua.QualifiedName(kind, self._space.index))
        event = (await self._server.get_event_generator(ua.ObjectIds.AlarmConditionType, node)).event
        event.NodeId = ident
        event.ConditionName, event.BranchId = kind, ua.NodeId()
        event.ConditionClassId = ua.NodeId(ua.ObjectIds.ProcessConditionClassType)
        event.ConditionClassName = ua.LocalizedText("Process")
        event.InputNode = ua.NodeId()
        event.EventId = None
        return event

    # --- methods; `parent` is the condition that they are called on ---

    async def _acknowledge(self, parent: ua.NodeId, event_id: Any, comment: Any) -> ua.StatusCode:
        key = self._keys.get(bytes(event_id.Value or b""))
        if key is None or self._space.condition(*key) != parent:
            return ua.StatusCode(ua.StatusCodes.BadEventIdUnknown)
        alarm = self._standing.get(key)
        if alarm is None or alarm.state not in WAITING:
            return ua.StatusCode(ua.StatusCodes.BadConditionBranchAlreadyAcked)
        try:
            name = operator_name()
        except ua.UaStatusCodeError as error:
            return ua.StatusCode(error.code)
        text = getattr(comment.Value, "Text", None) or ""
        request = ActionRequest(ActionKind.ACKNOWLEDGE, alarm.valve, AlarmKind(alarm.alarm), name, text)
        try:
            outcome = await asyncio.to_thread(self._act, request)
        except TimeoutError:  # on record; it is carried out when the service comes to it
            return ua.StatusCode(ua.StatusCodes.GoodCompletesAsynchronously)
        good = ua.StatusCodes.Good if outcome.applied else ua.StatusCodes.BadConditionBranchAlreadyAcked
        return ua.StatusCode(good)

    async def _refresh(self, parent: ua.NodeId, subscription: Any) -> ua.StatusCode:
        """Send the latest event of every condition that still matters once more, to one subscription only."""
        number = int(subscription.Value)
        await self._send(_marked(RefreshStartEvent()), self._everywhere, number)
        for key, event in self._events.items():
            if event.Retain:
                await self._send(event, self._heard_at(key), number)
        await self._send(_marked(RefreshEndEvent()), self._everywhere, number)
        return ua.StatusCode(ua.StatusCodes.Good)


def _marked(event: Any) -> Any:
    """A beginning or end of a refresh, ready to be sent."""
    event.EventId = ua.Variant(uuid.uuid4().bytes, ua.VariantType.ByteString)
    event.Time = event.ReceiveTime = datetime.now(UTC)
    event.SourceNode, event.SourceName = ua.NodeId(ua.ObjectIds.Server), "Server"
    event.Message = ua.LocalizedText(type(event).__name__)
    return event


def _differs(before: Alarm | None, now: Alarm) -> bool:
    """Whether clients have to hear of it: a rise that moves a little is no new event."""
    if before is None:
        return True
    return (before.state, before.active, before.priority) != (now.state, now.active, now.priority)


def _fill(event: Any, alarm: Alarm, sentence: str) -> None:
    acked = alarm.state not in WAITING
    event.EventId = ua.Variant(uuid.uuid4().bytes, ua.VariantType.ByteString)
    event.Time, event.ReceiveTime = datetime.fromtimestamp(alarm.changed_us / 1e6, UTC), datetime.now(UTC)
    event.Severity = SEVERITY[alarm.priority]
    event.Message = ua.LocalizedText(sentence)
    event.Retain = alarm.active or not acked
    event.Quality = ua.StatusCode(ua.StatusCodes.Good)
    event.Comment = ua.LocalizedText(alarm.comment)
    event.ClientUserId = alarm.operator
    event.SuppressedOrShelved = alarm.state in ASIDE
    for name, on, words in (
        ("EnabledState", True, ("Enabled", "Disabled")),
        ("AckedState", acked, ("Acknowledged", "Unacknowledged")),
        ("ActiveState", alarm.active, ("Active", "Inactive")),
    ):
        setattr(event, name, ua.LocalizedText(words[0] if on else words[1]))
        setattr(event, f"{name}/Id", on)
