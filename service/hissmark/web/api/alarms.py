"""Alarms: what stands now, the journal, and what an operator does about one or several."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Annotated, Any

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmEvent, AlarmKind, AlarmState, Priority
from hissmark.publish.alarm_shapes import begins, journal_shape
from hissmark.publish.shapes import AlarmShape, JournalShape
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.records import JournalRow
from hissmark.web.answers import answer
from hissmark.web.context import ActionOutcome, Context, WebContext
from hissmark.web.paging import JournalQuery, next_link
from hissmark.web.parameters import (
    NAME_TEXT,
    PLAIN,
    TEXT,
    Limit,
    Name,
    OptionalName,
    Seq,
    SpanQuery,
    invalid_body,
)
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem

router = APIRouter(prefix="/alarms", tags=["alarms"], responses=DOCUMENTED)


MOST_AT_ONCE = 200
_TOGETHER = 16
"""Actions that wait for the service at the same time; it takes them in few rounds."""


class Alarms(TypedDict):
    """Every alarm that is not at rest: unacknowledged first, then by priority, then the newest."""

    now: str
    alarms: list[AlarmShape]


class JournalPage(TypedDict):
    """A page of the journal. `next` is the address of the following page, null on the last."""

    entries: list[JournalShape]
    next: str | None


class Act(BaseModel):
    """Who acts, and why."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    comment: str = Field(default="", max_length=1000, pattern=TEXT)


class WithReason(Act):
    """Who acts, and why: here the reason is required."""

    comment: str = Field(min_length=1, max_length=1000, pattern=TEXT)


class Shelve(WithReason):
    """On the shelf for so long, in seconds of the service's clock; the site bounds it (`max_shelve_s`).

    `once`: or until the condition is gone, if that comes first.
    """

    for_s: int = Field(ge=60, le=30 * 86_400)
    once: bool = False


class Which(BaseModel):
    """One alarm."""

    valve: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    alarm: AlarmKind


class ActOnSeveral(Act):
    """Who acts on which alarms."""

    alarms: Annotated[list[Which], Field(min_length=1, max_length=MOST_AT_ONCE)]


class Done(TypedDict):
    """What became of an action. It is on record before this answer is given."""

    applied: bool
    message: str
    action_id: int
    applied_after: str | None
    alarm: AlarmShape | None


class DoneForOne(TypedDict):
    """What became of the action on one of several alarms."""

    valve: str
    alarm: str
    applied: bool
    message: str
    action_id: int


class DoneForSeveral(TypedDict):
    """What became of each, in the order asked. `applied` counts those that changed."""

    applied: int
    actions: list[DoneForOne]


@router.get("", response_model=Alarms)
def active_alarms(
    context: Context,
    state: AlarmState | None = None,
    priority: Priority | None = None,
    group: OptionalName = None,
) -> Response:
    """The alarms that are not at rest now."""
    rows = [
        row
        for row in context.live.alarms_json()
        if (state is None or row["state"] == state)
        and (priority is None or row["priority"] == priority)
        and (group is None or row["group"] == group)
    ]
    return answer({"now": rfc3339(context.live.clock.now_us()), "alarms": rows})


@router.get("/journal", response_model=JournalPage)
def journal(
    context: Context,
    span: SpanQuery,
    limit: Limit = 100,
    after: Seq = None,
    before: Seq = None,
    valve: OptionalName = None,
    group: OptionalName = None,
    alarm: AlarmKind | None = None,
    event: AlarmEvent | None = None,
) -> Response:
    """The alarm journal. Newest first, or with `after` the entries that follow that `seq`, oldest first."""
    query = JournalQuery(span, limit, after, before, valve, group, alarm, event)
    rows = query.rows(context.reader)
    more = next_link("/api/v1/alarms/journal", query.onwards(rows)) if len(rows) == limit else None
    return answer({"entries": [journal_shape(row, _worth_then(context, row)) for row in rows], "next": more})


@router.post("/{valve:path}/{alarm}/acknowledge", response_model=Done, responses=REFUSED)
def acknowledge(context: Context, valve: Name, alarm: AlarmKind, act: Act) -> Response:
    """Acknowledge an alarm. The answer comes once that is on record and applied."""
    return _carried_out(context, _request(ActionKind.ACKNOWLEDGE, valve, alarm, act))


@router.post("/{valve:path}/{alarm}/shelve", response_model=Done, responses=REFUSED)
def shelve(context: Context, valve: Name, alarm: AlarmKind, act: Shelve) -> Response:
    """Put an alarm on the shelf with a reason; it comes back by itself after `for_s` seconds at the latest.

    The end is stamped by the service, whatever the clock of whoever asks.
    """
    longest_s = context.live.layout.settings.alarms.max_shelve_s
    if act.for_s > longest_s:
        raise invalid_body("for_s", f"the site allows at most {longest_s} s ([alarms] max_shelve_s)")
    until_us = context.live.clock.now_us() + act.for_s * 1_000_000
    kind = ActionKind.SHELVE_ONCE if act.once else ActionKind.SHELVE
    return _carried_out(context, _request(kind, valve, alarm, act, until_us))


@router.post("/{valve:path}/{alarm}/unshelve", response_model=Done, responses=REFUSED)
def unshelve(context: Context, valve: Name, alarm: AlarmKind, act: Act) -> Response:
    """Take an alarm off the shelf: it is annunciated again if its condition still stands."""
    return _carried_out(context, _request(ActionKind.UNSHELVE, valve, alarm, act))


@router.post("/{valve:path}/{alarm}/take-out-of-service", response_model=Done, responses=REFUSED)
def take_out_of_service(context: Context, valve: Name, alarm: AlarmKind, act: WithReason) -> Response:
    """Take an alarm out of service with a reason. It stays so until somebody returns it."""
    return _carried_out(context, _request(ActionKind.TAKE_OUT_OF_SERVICE, valve, alarm, act))


@router.post("/{valve:path}/{alarm}/return-to-service", response_model=Done, responses=REFUSED)
def return_to_service(context: Context, valve: Name, alarm: AlarmKind, act: Act) -> Response:
    """Return an alarm to service: it is annunciated again if its condition still stands."""
    return _carried_out(context, _request(ActionKind.RETURN_TO_SERVICE, valve, alarm, act))


@router.post("/acknowledge", response_model=DoneForSeveral, responses=REFUSED)
def acknowledge_several(context: Context, act: ActOnSeveral) -> Response:
    """Acknowledge several alarms. Each is an action of its own: a refusal does not hold up the others."""
    known = _subjects(context)
    for which in act.alarms:
        if which.valve not in known:
            raise not_found("valve", which.valve, "GET /api/v1/valves lists them.")
    wanted = list(dict.fromkeys((w.valve, w.alarm) for w in act.alarms))
    requests = [_request(ActionKind.ACKNOWLEDGE, valve, alarm, act) for valve, alarm in wanted]
    with ThreadPoolExecutor(_TOGETHER, "act") as pool:
        outcomes = list(pool.map(lambda request: _outcome(context, request), requests))
    return answer(_several(requests, outcomes))


def _outcome(context: Context, request: ActionRequest) -> ActionOutcome:
    """What became of one of several; that the service is slow to come to it is told like a refusal."""
    try:
        return context.act(request)
    except TimeoutError as late:
        return ActionOutcome(False, str(late))


def _several(requests: Sequence[ActionRequest], outcomes: Sequence[ActionOutcome]) -> DoneForSeveral:
    rows: list[DoneForOne] = [
        {
            "valve": r.valve,
            "alarm": r.alarm.value,
            "applied": o.applied,
            "message": o.message,
            "action_id": o.action_id,
        }
        for r, o in zip(requests, outcomes, strict=True)
    ]
    return {"applied": sum(row["applied"] for row in rows), "actions": rows}


def _request(
    kind: ActionKind, valve: str, alarm: AlarmKind, act: Act, until_us: int | None = None
) -> ActionRequest:
    return ActionRequest(kind, valve, alarm, act.operator.strip(), act.comment.strip(), until_us)


def _carried_out(context: Context, request: ActionRequest) -> Response:
    """Carry out one action; a 409 that says why if it means nothing now."""
    valve, alarm = request.valve, request.alarm
    if valve not in _subjects(context):
        raise not_found("valve", valve, "GET /api/v1/valves lists them.")
    outcome = context.act(request)
    if not outcome.applied:
        return problem(409, outcome.message)
    standing = (a for a in context.live.alarms_json() if (a["valve"], a["alarm"]) == (valve, alarm))
    done: dict[str, Any] = {
        "applied": True,
        "message": outcome.message,
        "action_id": outcome.action_id,
        "applied_after": rfc3339_or_none(outcome.at_us),
        "alarm": next(standing, None),
    }
    return answer(done)


def _subjects(context: Context) -> set[str]:
    return {channel.subject for channel in context.live.layout.channels}


def _worth_then(context: WebContext, row: JournalRow) -> str:
    """How much leaked when a leak began, for valves of which a leak was measured."""
    valve, desk = row.entry.valve, context.worth
    if desk is None or desk.of(valve) is None or not begins(row):
        return ""
    return desk.said_then(valve, row.entry.at_us)
