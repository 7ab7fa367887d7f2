"""Alarms: what stands now, the journal, and what an operator does about one."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.alarms.journal import ActionKind, AlarmEvent, AlarmKind, AlarmState, Priority
from hissmark.publish.alarm_shapes import journal_shape
from hissmark.publish.shapes import AlarmShape, JournalShape
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.records import ActionRequest
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.paging import JournalQuery, next_link
from hissmark.web.parameters import Limit, Name, OptionalName, Seq, SpanQuery
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem

router = APIRouter(prefix="/alarms", tags=["alarms"], responses=DOCUMENTED)


_NAME = r"^[^\x00-\x1f\x7f]*[^\x00-\x1f\x7f\s][^\x00-\x1f\x7f]*$"
"""No control characters, and something that can be seen."""


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

    operator: str = Field(min_length=1, max_length=100, pattern=_NAME)
    comment: str = Field(default="", max_length=1000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")


class Done(TypedDict):
    """What became of an action. It is on record before this answer is given."""

    applied: bool
    message: str
    action_id: int
    applied_after: str | None
    alarm: AlarmShape | None


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
    return answer({"entries": [journal_shape(row) for row in rows], "next": more})


@router.post("/{valve:path}/{alarm}/acknowledge", response_model=Done, responses=REFUSED)
def acknowledge(context: Context, valve: Name, alarm: AlarmKind, act: Act) -> Response:
    """Acknowledge an alarm. The answer comes once that is on record and applied."""
    if valve not in _subjects(context):
        raise not_found("valve", valve, "GET /api/v1/valves lists them.")
    request = ActionRequest(ActionKind.ACKNOWLEDGE, valve, alarm, act.operator.strip(), act.comment.strip())
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
