"""What a client may do to an alarm: the methods of OPC 10000-9, each an operator's action like any other.

It is on record with the user's name before it is answered.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Awaitable, Callable
from typing import Any

from asyncua import Server, ua

from hissmark.alarms.journal import ActionKind, ActionRequest, Alarm, AlarmKind, AlarmState
from hissmark.opcua.conditions import Conditions, Key
from hissmark.opcua.events import WAITING
from hissmark.opcua.people import operator_name
from hissmark.web.context import ActionOutcome

Act = Callable[[ActionRequest], ActionOutcome]
Note = Callable[[str, str, str | None], object]
"""Puts a note of the shift on record: author, text, valve."""
Method = Callable[..., Awaitable[ua.StatusCode]]

_O, _C = ua.ObjectIds, ua.StatusCodes
UNBOUNDED_S = 30 * 86_400
"""The longest shelving where the site sets no bound."""
LONGEST_COMMENT = 1000
NO_REASON = "by an OPC UA client that gave no reason"
_TOO_LATE = {
    ActionKind.ACKNOWLEDGE: _C.BadConditionBranchAlreadyAcked,
    ActionKind.SHELVE: _C.BadConditionAlreadyShelved,
    ActionKind.SHELVE_ONCE: _C.BadConditionAlreadyShelved,
    ActionKind.UNSHELVE: _C.BadConditionNotShelved,
    ActionKind.TAKE_OUT_OF_SERVICE: _C.BadInvalidState,
    ActionKind.RETURN_TO_SERVICE: _C.BadInvalidState,
}
"""What a client is told whose action means nothing in the alarm's state."""


class Methods:
    """Carries out method calls.

    Args:
        act, note: put on record and wait until it is applied; called in a thread.
        now_us: the service's clock. max_shelve_s: the site's bound, 0 for none.
    """

    def __init__(
        self, conditions: Conditions, act: Act, note: Note, now_us: Callable[[], int],
        max_shelve_s: Callable[[], int],
    ) -> None:  # fmt: skip
        self._conditions, self._act, self._note = conditions, act, note
        self._now_us, self._max_shelve_s = now_us, max_shelve_s

    def link(self, server: Server) -> None:
        """Answer the methods that the standard defines, wherever a client may find them."""
        table: dict[Method, tuple[int, ...]] = {
            self._acknowledge: (_O.AcknowledgeableConditionType_Acknowledge,),
            self._comment: (_O.ConditionType_AddComment,),
            self._shelve: (
                _O.ShelvedStateMachineType_TimedShelve, _O.ShelvedStateMachineType_TimedShelve2,
                _O.AlarmConditionType_ShelvingState_TimedShelve,
            ),
            self._shelve_once: (
                _O.ShelvedStateMachineType_OneShotShelve, _O.ShelvedStateMachineType_OneShotShelve2,
                _O.AlarmConditionType_ShelvingState_OneShotShelve,
            ),
            self._unshelve: (
                _O.ShelvedStateMachineType_Unshelve, _O.ShelvedStateMachineType_Unshelve2,
                _O.AlarmConditionType_ShelvingState_Unshelve,
            ),
            self._remove: (
                _O.AlarmConditionType_RemoveFromService, _O.AlarmConditionType_RemoveFromService2,
            ),
            self._place: (
                _O.AlarmConditionType_PlaceInService, _O.AlarmConditionType_PlaceInService2,
            ),
            self._enable: (_O.ConditionType_Enable,),
            self._disable: (_O.ConditionType_Disable,),
            self._conditions.refresh: (_O.ConditionType_ConditionRefresh,),
            self._conditions.refresh_item: (_O.ConditionType_ConditionRefresh2,),
        }  # fmt: skip
        for method, numbers in table.items():
            for number in numbers:
                server.link_method(server.get_node(ua.NodeId(number)), _answering(method))

    # `parent` is the condition, or its shelving state, that the method is called on.

    async def _acknowledge(self, parent: ua.NodeId, event: ua.Variant, comment: ua.Variant) -> ua.StatusCode:
        key = self._of_event(parent, event)
        if self._standing(key).state not in WAITING:
            return ua.StatusCode(_C.BadConditionBranchAlreadyAcked)
        return await self._do(ActionKind.ACKNOWLEDGE, key, _text(comment))

    async def _comment(self, parent: ua.NodeId, event: ua.Variant, comment: ua.Variant) -> ua.StatusCode:
        """A comment is a note of the shift about the valve; the alarm's next event carries it."""
        (valve, alarm), name, text = self._of_event(parent, event), operator_name(), _text(comment)
        if text.strip():
            await asyncio.to_thread(self._note, name, f"{alarm.replace('-', ' ')}: {text}", valve)
        await self._conditions.commented((valve, alarm), name, text)
        return ua.StatusCode(_C.Good)

    async def _shelve(self, parent: ua.NodeId, time_ms: ua.Variant, *comment: ua.Variant) -> ua.StatusCode:
        for_us = round(float(time_ms.Value or 0) * 1000)
        if not 0 < for_us <= self._longest_us:
            return ua.StatusCode(_C.BadShelvingTimeOutOfRange)
        return await self._put_aside(ActionKind.SHELVE, parent, comment, for_us)

    async def _shelve_once(self, parent: ua.NodeId, *comment: ua.Variant) -> ua.StatusCode:
        return await self._put_aside(ActionKind.SHELVE_ONCE, parent, comment, self._longest_us)

    async def _unshelve(self, parent: ua.NodeId, *comment: ua.Variant) -> ua.StatusCode:
        key = self._conditions.key_of(parent)
        return await self._do(ActionKind.UNSHELVE, key, _text(*comment))

    async def _remove(self, parent: ua.NodeId, *comment: ua.Variant) -> ua.StatusCode:
        return await self._put_aside(ActionKind.TAKE_OUT_OF_SERVICE, parent, comment, None)

    async def _place(self, parent: ua.NodeId, *comment: ua.Variant) -> ua.StatusCode:
        key = self._conditions.key_of(parent)
        return await self._do(ActionKind.RETURN_TO_SERVICE, key, _text(*comment))

    async def _enable(self, parent: ua.NodeId) -> ua.StatusCode:
        return ua.StatusCode(_C.BadConditionAlreadyEnabled)

    async def _disable(self, parent: ua.NodeId) -> ua.StatusCode:
        """An alarm that is not wanted is taken out of service, on record; it is judged all the same."""
        return ua.StatusCode(_C.BadNotSupported)

    @property
    def _longest_us(self) -> int:
        return (self._max_shelve_s() or UNBOUNDED_S) * 1_000_000

    async def _put_aside(
        self, kind: ActionKind, parent: ua.NodeId, comment: tuple[ua.Variant, ...], for_us: int | None
    ) -> ua.StatusCode:
        """With a reason, as everywhere; where a client gives none the record says so."""
        key = self._conditions.key_of(parent)
        until_us = None if for_us is None else self._now_us() + for_us
        return await self._do(kind, key, _text(*comment) or NO_REASON, until_us)

    async def _do(
        self, kind: ActionKind, key: Key, comment: str, until_us: int | None = None
    ) -> ua.StatusCode:
        valve, alarm = key
        request = ActionRequest(kind, valve, AlarmKind(alarm), operator_name(), comment, until_us)
        try:
            outcome = await asyncio.to_thread(self._act, request)
        except TimeoutError:  # on record; it is carried out when the service comes to it
            return ua.StatusCode(_C.GoodCompletesAsynchronously)
        return ua.StatusCode(_C.Good if outcome.applied else _TOO_LATE[kind])

    def _of_event(self, parent: ua.NodeId, event: ua.Variant) -> Key:
        """Which alarm an event is the latest of; it must be the one that the method is called on."""
        key = self._conditions.key_of_event(bytes(event.Value or b""))
        if key is None or key != self._conditions.key_of(parent):
            raise ua.UaStatusCodeError(_C.BadEventIdUnknown)
        return key

    def _standing(self, key: Key) -> Alarm:
        alarm = self._conditions.standing(key)
        if alarm is None or alarm.state is AlarmState.NORMAL:
            raise ua.UaStatusCodeError(_C.BadConditionBranchAlreadyAcked)
        return alarm


def _answering(method: Method) -> Method:
    """The same, with what it raises as its answer."""

    @functools.wraps(method)
    async def answer(parent: ua.NodeId, *arguments: Any) -> ua.StatusCode:
        try:
            return await method(parent, *arguments)
        except ua.UaStatusCodeError as error:
            return ua.StatusCode(error.code)
        except TypeError:
            return ua.StatusCode(_C.BadArgumentsMissing)

    return answer


def _text(*comments: ua.Variant) -> str:
    """A comment that came along, bounded; empty if none did."""
    if not comments:
        return ""
    value = comments[0].Value
    text = value.Text if isinstance(value, ua.LocalizedText) else value
    return str(text or "").strip()[:LONGEST_COMMENT]
