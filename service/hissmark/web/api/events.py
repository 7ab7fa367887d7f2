"""Server-sent events: readings, alarms, journal as they change, and a heartbeat with the service's clock."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from typing import Annotated

import msgspec
from fastapi import APIRouter, Header, Query, Response
from fastapi.responses import StreamingResponse
from typing_extensions import TypedDict

from hissmark import __version__
from hissmark.publish.broadcast import event_id
from hissmark.publish.live import LiveState
from hissmark.publish.shapes import AlarmShape, JournalShape, LiveReading
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.web.answers import answer
from hissmark.web.api.groups import known_group
from hissmark.web.context import Context, WebContext
from hissmark.web.parameters import AtQuery, OptionalName
from hissmark.web.past import alarms_at, journal_at, past_us, readings_at
from hissmark.web.problems import DOCUMENTED
from hissmark.web.waiting import waiting_reading

HEARTBEAT_S = 2.0
NEWEST_ENTRIES = 50
"""Journal entries in a snapshot."""

router = APIRouter(tags=["live"], responses=DOCUMENTED)


class Pulse(TypedDict):
    """The heartbeat: the service's clock and how it is. A page that misses it is blind and says so."""

    now: str
    connected: bool
    broker: str
    worker_alive: bool
    last_message: str | None
    last_commit: str | None
    waiting_messages: int
    trouble: str


class Snapshot(TypedDict):
    """Everything the first page shows; `event` is where to go on listening.

    `max_shelve_s`: the longest time the site lets an alarm be shelved. `at`: the past moment that groups,
    alarms and journal are of, null if they are of now; `pulse` is always of now.
    """

    site: str
    demo: bool
    version: str
    event: str
    pulse: Pulse
    stale_s: int
    tick_s: int
    max_shelve_s: int
    at: str | None
    group_names: list[str]
    groups: list[LiveReading]
    alarms: list[AlarmShape]
    journal: list[JournalShape]


@router.get("/now", response_model=Snapshot)
def now(context: Context, at: AtQuery = None, group: OptionalName = None) -> Response:
    """One consistent look at everything live, or as it was `at` a past moment; of all groups or of one."""
    live = context.live
    event = event_id(live.broadcast.epoch, live.broadcast.number)  # first, so that nothing falls between
    if group is not None:
        known_group(context, group)
    names = live.layout.group_names if group is None else (group,)
    at_us = past_us(live, at)
    shown = _shown_now(live, names) if at_us is None else _shown_then(context, names, group, at_us)
    settings = live.layout.settings
    snapshot: Snapshot = {
        "site": context.site_name,
        "demo": context.demo,
        "version": __version__,
        "event": event,
        "pulse": pulse(live),
        "stale_s": settings.signal.stale_s,
        "tick_s": settings.signal.tick_s,
        "max_shelve_s": settings.alarms.max_shelve_s,
        "at": None if at_us is None else rfc3339(at_us),
        "group_names": list(live.layout.group_names),
        **shown,
    }
    return answer(snapshot)


class _Shown(TypedDict):
    """The part of the snapshot that belongs to a moment."""

    groups: list[LiveReading]
    alarms: list[AlarmShape]
    journal: list[JournalShape]


def _shown_now(live: LiveState, names: Sequence[str]) -> _Shown:
    groups, known = set(names), {r["group"]: r for r in live.live_readings(names)}
    return {
        "groups": [known.get(name) or waiting_reading(live, name) for name in names],
        "alarms": [a for a in live.alarms_json() if a["group"] in groups],
        "journal": [e for e in live.journal_json() if e["group"] in groups][:NEWEST_ENTRIES],
    }


def _shown_then(context: WebContext, names: Sequence[str], group: str | None, at_us: int) -> _Shown:
    reader = context.reader
    readings = readings_at(context.live, reader, names, at_us)
    return {
        "groups": list(readings.values()),
        "alarms": alarms_at(reader, readings, at_us, group),
        "journal": journal_at(reader, at_us, group, NEWEST_ENTRIES),
    }


@router.get(
    "/events", response_class=StreamingResponse, responses={200: {"content": {"text/event-stream": {}}}}
)
async def events(
    context: Context,
    after: Annotated[str | None, Query(max_length=40, description="`event` of the snapshot")] = None,
    last_event_id: Annotated[str | None, Header(max_length=40)] = None,
) -> StreamingResponse:
    """The stream. `pulse` every 2 s; `resync` means: fetch /api/v1/now again."""
    stream = _stream(context.live, last_event_id or after)
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(stream, media_type="text/event-stream", headers=headers)


def pulse(live: LiveState) -> Pulse:
    health = live.health
    return {
        "now": rfc3339(live.clock.now_us()),
        "connected": health.connected,
        "broker": health.broker,
        "worker_alive": health.worker_alive,
        "last_message": rfc3339_or_none(health.last_message_us),
        "last_commit": rfc3339_or_none(health.last_commit_us),
        "waiting_messages": health.queue_messages,
        "trouble": health.trouble or health.broker_trouble,
    }


async def _stream(live: LiveState, after: str | None) -> AsyncIterator[bytes]:
    number = _after(live, after)
    head = b"retry: 1000\n\n"
    if number is None:  # a name for where it begins, so that it can be gone on from before anything happens
        number = live.broadcast.number
        head += f"id: {event_id(live.broadcast.epoch, number)}\n".encode()
    subscriber, missed = live.broadcast.subscribe(number)
    try:
        yield head + _pulse_text(live)
        for event in missed:
            yield event.wire
        due_s = _seconds() + HEARTBEAT_S
        while not subscriber.ended:
            waiting = await subscriber.next(max(0.0, due_s - _seconds()))
            text = b"".join(event.wire for event in waiting)
            if _seconds() >= due_s:  # on time however busy the events are
                text, due_s = text + _pulse_text(live), _seconds() + HEARTBEAT_S
            if text:
                yield text
    finally:
        live.broadcast.unsubscribe(subscriber)


def _seconds() -> float:
    return asyncio.get_running_loop().time()


def _after(live: LiveState, event_id: str | None) -> int | None:
    """The number behind an event's id; -1 (none is held) if it is of another run."""
    if not event_id:
        return None
    epoch, _, number = event_id.partition("-")
    if epoch != live.broadcast.epoch or not (number.isascii() and number.isdigit()):
        return -1
    return int(number)


def _pulse_text(live: LiveState) -> bytes:
    return b"event: pulse\ndata: " + msgspec.json.encode(pulse(live)) + b"\n\n"
