"""Groups: the latest reading of each, channels in pipe order."""

from __future__ import annotations

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.publish.shapes import LiveReading
from hissmark.publish.times import rfc3339
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.paging import next_link, page_of
from hissmark.web.parameters import Limit, Name, OptionalName
from hissmark.web.problems import DOCUMENTED, not_found
from hissmark.web.waiting import waiting_reading

router = APIRouter(prefix="/groups", tags=["groups"], responses=DOCUMENTED)


class Groups(TypedDict):
    """A page of groups in register order."""

    now: str
    groups: list[LiveReading]
    next: str | None


@router.get("", response_model=Groups)
def groups(context: Context, limit: Limit = 200, after: OptionalName = None) -> Response:
    """The latest reading of every group, in register order; `after` continues behind that group."""
    names, more = page_of(context.live.layout.group_names, after, limit)
    rows = [context.live.reading_json(name) or waiting_reading(context.live, name) for name in names]
    link = next_link("/api/v1/groups", {"limit": limit, "after": more}) if more else None
    return answer({"now": rfc3339(context.live.clock.now_us()), "groups": rows, "next": link})


@router.get("/{name:path}", response_model=LiveReading)
def group(context: Context, name: Name) -> Response:
    """The latest reading of one group."""
    if name not in context.live.layout.group_names:
        raise not_found("group", name, "GET /api/v1/groups lists them.")
    return answer(context.live.reading_json(name) or waiting_reading(context.live, name))
