"""Valves: what is believed about each now, and its history."""

from __future__ import annotations

import threading
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query, Response
from typing_extensions import TypedDict

from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.publish.live import LiveState
from hissmark.publish.shapes import AlarmShape, ChannelReading, LiveReading
from hissmark.publish.story_shapes import StoryShape, story_shape
from hissmark.publish.times import rfc3339
from hissmark.repairs.told import repaired
from hissmark.store.history import ChannelHistory
from hissmark.store.recall import Basis, Told, story_at
from hissmark.store.ticked import history_of_channel
from hissmark.store.whereabouts import Stay
from hissmark.upkeep.following import places_named, places_of
from hissmark.web.answers import answer
from hissmark.web.context import Context, WebContext
from hissmark.web.history import History, Recent, history_of
from hissmark.web.paging import next_link, page_of
from hissmark.web.parameters import AtQuery, Limit, Name, OptionalName, SpanQuery, invalid
from hissmark.web.past import past_us
from hissmark.web.problems import DOCUMENTED, not_found
from hissmark.web.waiting import waiting_reading

router = APIRouter(prefix="/valves", tags=["valves"], responses=DOCUMENTED)

_one_at_a_time = threading.Lock()
"""A story needs a copy of the engine: seconds and memory on a large site."""

VERDICTS = tuple(v.text for v in Verdict)


class ValveReading(ChannelReading):
    """A channel's reading with its group, the tick's time, and whether its data is fresh."""

    group: str
    at: str
    fresh: bool


class Valves(TypedDict):
    """A page of valves in register order."""

    now: str
    valves: list[ValveReading]
    next: str | None


class Believed(TypedDict):
    """Everything about one valve now. `register` holds its row of the register."""

    now: str
    valve: ValveReading
    group: LiveReading
    alarms: list[AlarmShape]
    register: dict[str, Any]


@router.get("", response_model=Valves)
def valves(
    context: Context,
    limit: Limit = 200,
    after: OptionalName = None,
    group: OptionalName = None,
    verdict: Annotated[str | None, Query(max_length=20)] = None,
) -> Response:
    """The latest reading of every valve; filter by group or verdict."""
    if verdict is not None and verdict not in VERDICTS:
        raise invalid("verdict", f"must be one of: {', '.join(VERDICTS)}")
    live = context.live
    rows = {r["valve"]: r for r in _all(live, group) if verdict is None or r["verdict"] == verdict}
    order = [tag for tag in live.layout.register.valves if tag in rows or tag == after]
    names, more = page_of(order, after, limit)
    query = {"limit": limit, "after": more, "group": group, "verdict": verdict}
    link = next_link("/api/v1/valves", query) if more else None
    page = [rows[name] for name in names if name in rows]
    return answer({"now": rfc3339(live.clock.now_us()), "valves": page, "next": link})


@router.get("/{tag:path}/history", response_model=History)
def valve_history(
    context: Context,
    tag: Name,
    span: SpanQuery,
    points: Annotated[int, Query(ge=10, le=5000, description="most points in the answer")] = 800,
) -> Response:
    """Level, baseline, rise and verdict over time, thinned so that highs and lows stay; alarms as marks."""
    live, places = context.live, known_places(context, tag)
    tick_s = live.layout.settings.signal.tick_s
    now_us = live.clock.now_us()
    recent = _recent(live, places[-1].channel)
    found = history_of(context.reader, places, span, points, tick_s=tick_s, now_us=now_us, recent=recent)
    return answer(found)


def _recent(live: LiveState, channel: Channel) -> Recent:
    """Ticks of a channel that are judged but not in the store; none of one that has left the register."""
    layout = live.layout
    index = next((i for i, c in enumerate(layout.channels) if c.name == channel.name), None)

    def ticks(from_us: int, to_us: int) -> ChannelHistory:
        if index is None:
            return history_of_channel([], 0)
        group = int(layout.group_of[index])
        return history_of_channel(live.unsaved.of_group(group, from_us, to_us), index)

    return ticks


@router.get("/{tag:path}/explain", response_model=StoryShape)
def explain(
    context: Context,
    tag: Name,
    at: AtQuery = None,
) -> Response:
    """The story of a verdict: what was heard, which explanations were compared, what would change it."""
    live = context.live
    channel = known_valve(live, tag)
    found = _told(context, channel, past_us(live, at))
    if found is None:
        raise not_found("verdict", tag, "Nothing is on record for that moment; see valves/{tag}/history.")
    story, desk = found.story, context.desk
    repair = None if desk is None else repaired(desk.book, story.subject, story.at_us)
    return answer(story_shape(story, found.basis, found.saved_us, repair))


def _told(context: WebContext, channel: Channel, at_us: int | None) -> Told | None:
    """From the living engine if it is about now, else from the store."""
    if at_us is None and context.tell is not None:
        try:
            story = context.tell(channel.name)
        except TimeoutError:
            raise HTTPException(503, "The service is too busy to tell its reasons now; ask again.") from None
        return None if story is None else Told(story, Basis.LIVE, None)
    with _one_at_a_time:
        layout = context.live.layout
        return story_at(layout, context.reader, layout.channels.index(channel), at_us)


@router.get("/{tag:path}", response_model=Believed)
def valve(context: Context, tag: Name) -> Response:
    """What is believed about one valve now, and why."""
    live = context.live
    channel = known_valve(live, tag)
    reading = live.reading_json(channel.group) or waiting_reading(live, channel.group)
    row = next(c for c in reading["channels"] if c["channel"] == channel.name)
    return answer(
        {
            "now": reading["now"],
            "valve": _with_group(row, reading),
            "group": reading,
            "alarms": [a for a in live.alarms_json() if a["valve"] == tag],
            "register": register_row(channel),
        }
    )


def register_row(channel: Channel) -> dict[str, Any]:
    """A channel's row of the register, as JSON."""
    condition = channel.closed_when
    names = (
        "name", "source", "kind", "valve", "group", "position", "distance_m", "joints", "upstream_pressure",
        "downstream_pressure", "service", "size_mm", "valve_type", "consequence", "interval_s", "leak_flow",
        "leak_flow_unit", "closed_volume", "notes",
    )  # fmt: skip
    row = {name: getattr(channel, name) for name in names}
    row["channel"] = row.pop("name")
    row["closed_when"] = f"{condition.tag} {condition.op} {condition.limit:g}" if condition else None
    return row


def known_places(context: WebContext, tag: str) -> list[Stay]:
    """The sensors of a valve over time, also of one that has left the register; raises a 404."""
    former = [] if context.registers is None else places_named(context.registers, tag)
    if former and former[-1].subject == tag:
        return former
    return places_of(context.registers, known_valve(context.live, tag))


def known_valve(live: LiveState, tag: str) -> Channel:
    """The channel on a valve; raises a 404 that says where to look."""
    channel = live.layout.register.valves.get(tag)
    if channel is None:
        raise not_found("valve", tag, "GET /api/v1/valves lists them.")
    return channel


def _all(live: LiveState, group: str | None) -> list[ValveReading]:
    names = [g for g in live.layout.group_names if group is None or g == group]
    found = []
    for name in names:
        reading = live.reading_json(name) or waiting_reading(live, name)
        found += [_with_group(c, reading) for c in reading["channels"] if c["valve"] is not None]
    return found


def _with_group(row: ChannelReading, reading: LiveReading) -> ValveReading:
    return {**row, "group": reading["group"], "at": reading["at"], "fresh": reading["fresh"]}
