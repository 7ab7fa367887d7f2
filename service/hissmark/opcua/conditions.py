"""Keeps OPC UA alarm conditions in step with the alarms of the site: an event for each line of the journal.

Each alarm is one condition that stays; its branch is always the current one. What was only found when data
came after its time is known to clients that ask, but is not sent as news.
"""

from __future__ import annotations

import asyncio
import contextlib
import uuid
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from asyncua import Server, ua
from asyncua.common.event_objects import RefreshEndEvent, RefreshStartEvent
from asyncua.common.events import Event

from hissmark.alarms.journal import Alarm, AlarmState
from hissmark.opcua.events import UNSHELVE_TIME, after, event_of
from hissmark.opcua.nodes import ConditionNodes, child
from hissmark.opcua.shelving import left_ms, with_shelving
from hissmark.opcua.space import Space
from hissmark.publish.live import LiveState
from hissmark.publish.sentences import journal_sentence
from hissmark.store.errors import StoreError
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow

Key = tuple[str, str]
"""Valve (or channel) and kind of alarm."""
ENTRIES = 500
"""Lines of the journal that are taken at once."""
GONE_LOOKS = 20
"""An alarm that has left the live state so often in a row without a line of the journal is gone."""


class Conditions:
    """The alarms as clients know them, by valve and kind."""

    def __init__(self, server: Server, space: Space, live: LiveState, reader: Reader) -> None:
        self._server, self._space, self._live, self._reader = server, space, live, reader
        self._everywhere = (space.site.nodeid, ua.NodeId(ua.ObjectIds.Server))
        self._nodes = ConditionNodes(server, space.index)
        self._told: dict[Key, Alarm] = {}
        self._events: dict[Key, Event] = {}
        self._of_event: dict[bytes, Key] = {}
        self._of_node: dict[ua.NodeId, Key] = {}
        self._missed: dict[Key, int] = {}
        self._seq: int | None = None

    async def begin(self) -> None:
        """What is put on record from now on is told; while the store is away, from when it is back."""
        with contextlib.suppress(StoreError):
            newest = await asyncio.to_thread(self._reader.journal, before_seq=1 << 62, limit=1)
            self._seq = newest[0].seq if newest else 0

    async def know_what_stands(self) -> None:
        """It is no news: whoever listens asks for a refresh."""
        for alarm in self._live.active():
            if alarm.valve in self._space.subjects:
                await self._adopt(alarm)
                await asyncio.sleep(0)  # with thousands of them clients must not be kept waiting

    async def follow(self) -> None:
        """Send an event for each new line of the journal, and for what changed besides."""
        with contextlib.suppress(StoreError):  # while the store is away its lines wait
            await self._new_lines()
        await self._changed_besides(self._standing_now())
        await self._count_down()

    async def _new_lines(self) -> None:
        if self._seq is None:
            await self.begin()
            return
        wanted = JournalFilter(annunciated=True)
        rows = await asyncio.to_thread(self._reader.journal, wanted, after_seq=self._seq, limit=ENTRIES)
        standing = self._standing_now() if rows else {}
        for row in rows:
            key = _key(row.entry)
            if key[0] in self._space.subjects:
                await self._line(key, row, standing.get(key))
            self._seq = row.seq

    def _standing_now(self) -> dict[Key, Alarm]:
        return {_key(alarm): alarm for alarm in self._live.active()}

    async def _line(self, key: Key, row: JournalRow, now: Alarm | None) -> None:
        alarm = await asyncio.to_thread(with_shelving, self._reader, after(row.entry, self._told.get(key)))
        if now is not None and (now.state, now.changed_us) == (alarm.state, alarm.changed_us):
            alarm = now
        await self._tell(key, alarm, self._said(alarm, row), received_us=row.recorded_us)

    def _said(self, alarm: Alarm, row: JournalRow) -> str:
        """What stands unacknowledged in full, the rest as the journal says it."""
        if alarm.state is AlarmState.UNACKNOWLEDGED:
            return self._live.sentence_of(alarm)
        return journal_sentence(row.entry)

    async def _changed_besides(self, fresh: dict[Key, Alarm]) -> None:
        """What the journal does not tell: a condition that goes while put aside; what back-fill has found."""
        for key, alarm in fresh.items():
            told = self._told.get(key)
            self._missed.pop(key, None)
            if told is None or told.state is AlarmState.NORMAL:
                if key[0] in self._space.subjects:
                    await self._adopt(alarm)
            elif (told.state, told.changed_us) == (alarm.state, alarm.changed_us):
                if (told.active, told.priority) != (alarm.active, alarm.priority):
                    await self._tell(key, alarm, self._live.sentence_of(alarm), more=uuid.uuid4().hex)
                self._told[key] = alarm
        for key in [k for k, a in self._told.items() if a.state is not AlarmState.NORMAL and k not in fresh]:
            self._missed[key] = self._missed.get(key, 0) + 1
            if self._missed[key] >= GONE_LOOKS:
                gone = replace(self._told[key], state=AlarmState.NORMAL, active=False)
                await self._tell(key, gone, "No longer judged.", more=uuid.uuid4().hex)

    async def _count_down(self) -> None:
        """What is on the shelf comes nearer to its end."""
        now_us = self._live.clock.now_us()
        for key, alarm in self._told.items():
            if alarm.state is AlarmState.SHELVED:
                left = left_ms(alarm, now_us)
                setattr(self._events[key], UNSHELVE_TIME, left)
                await self._nodes.write(self._space.where(*key).condition, UNSHELVE_TIME, left)

    async def commented(self, key: Key, name: str, text: str) -> None:
        """Somebody has said something of an alarm."""
        alarm = replace(self._told[key], comment=text, operator=name)
        message = self._events[key].Message.Text or ""
        await self._tell(key, alarm, message, more=uuid.uuid4().hex)

    async def _adopt(self, alarm: Alarm) -> None:
        """Know an alarm without sending it as news."""
        await self._keep(_key(alarm), alarm, self._live.sentence_of(alarm), alarm.changed_us)

    async def _tell(
        self, key: Key, alarm: Alarm, said: str, *, received_us: int | None = None, more: str = ""
    ) -> None:
        event = await self._keep(key, alarm, said, received_us, more)
        await self._send(event, self._heard_at(key))

    async def _keep(
        self, key: Key, alarm: Alarm, said: str, received_us: int | None, more: str = ""
    ) -> Event:
        where, now_us = self._space.where(*key), self._live.clock.now_us()
        event = event_of(
            alarm, said, where, received_us=received_us or now_us, now_us=now_us, more=more,
            max_shelve_s=self._live.layout.settings.alarms.max_shelve_s,
        )  # fmt: skip
        if key in self._events:
            self._of_event.pop(self._events[key].EventId, None)
        self._told[key], self._events[key], self._of_event[event.EventId] = alarm, event, key
        self._of_node[where.condition] = self._of_node[child(where.condition, "ShelvingState")] = key
        self._missed.pop(key, None)
        await self._nodes.show(self._space.subjects[key[0]], where.condition, event)
        return event

    async def _send(self, event: Event, places: tuple[ua.NodeId, ...]) -> None:
        """To whoever listens at one of these nodes. The library does not carry events up the hierarchy."""
        for place in places:
            event.emitting_node = place
            await self._server.iserver.subscription_service.trigger_event(event)

    def _heard_at(self, key: Key) -> tuple[ua.NodeId, ...]:
        """Where an alarm can be heard: at its valve's object, its group's, the site's, the server's."""
        return (self._space.subjects[key[0]].nodeid, self._space.group_of[key[0]], *self._everywhere)

    # --- for the methods ---

    def standing(self, key: Key) -> Alarm | None:
        """An alarm as clients were told last."""
        return self._told.get(key)

    def key_of_event(self, event: bytes) -> Key | None:
        """Which alarm an event is the latest of."""
        return self._of_event.get(event)

    def key_of(self, node: ua.NodeId) -> Key:
        """The alarm of a condition, or of its shelving state. Raises the code that a client gets."""
        key = self._of_node.get(node)
        if key is None:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadNodeIdUnknown)
        return key

    async def refresh(self, parent: ua.NodeId, subscription: ua.Variant) -> ua.StatusCode:
        """Send the latest event of every condition that still matters once more, to one subscription only."""
        service = self._service(subscription)
        for place, numbers in list(service._monitored_events.items()):
            for number in list(numbers):
                await self._refresh(service, place, number)
        return ua.StatusCode(ua.StatusCodes.Good)

    async def refresh_item(
        self, parent: ua.NodeId, subscription: ua.Variant, item: ua.Variant
    ) -> ua.StatusCode:
        """The same for one monitored item of a subscription."""
        service, number = self._service(subscription), int(item.Value)
        place = next((at for at, items in service._monitored_events.items() if number in items), None)
        if place is None:
            return ua.StatusCode(ua.StatusCodes.BadMonitoredItemIdInvalid)
        await self._refresh(service, place, number)
        return ua.StatusCode(ua.StatusCodes.Good)

    def _service(self, subscription: ua.Variant) -> Any:
        """The monitored items of a subscription."""
        known = self._server.iserver.subscription_service.subscriptions.get(int(subscription.Value))
        if known is None:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadSubscriptionIdInvalid)
        return known.monitored_item_srv

    async def _refresh(self, service: Any, place: ua.NodeId, number: int) -> None:
        events = [e for key, e in self._events.items() if e.Retain and place in self._heard_at(key)]
        for event in (_marked(RefreshStartEvent()), *events, _marked(RefreshEndEvent())):
            event.emitting_node = place
            await service.trigger_event(event, number)


def _key(alarm: Any) -> Key:
    return alarm.valve, str(alarm.alarm)


def _marked(event: Any) -> Any:
    """A beginning or end of a refresh, ready to be sent."""
    event.EventId = uuid.uuid4().bytes
    event.Time = event.ReceiveTime = datetime.now(UTC)
    event.SourceNode, event.SourceName = ua.NodeId(ua.ObjectIds.Server), "Server"
    event.Message = ua.LocalizedText(type(event).__name__)
    return event
