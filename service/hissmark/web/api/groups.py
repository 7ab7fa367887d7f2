"""Groups: the latest reading of each, channels in pipe order."""

from __future__ import annotations

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.engine.change import ChangeKind
from hissmark.engine.losses import losses_of
from hissmark.publish.shapes import LiveReading
from hissmark.publish.story_shapes import LossesShape, losses_shape
from hissmark.publish.times import rfc3339
from hissmark.store.recall import restored_engine
from hissmark.web.answers import answer
from hissmark.web.context import Context, WebContext
from hissmark.web.paging import next_link, page_of
from hissmark.web.parameters import AtQuery, Limit, Name, OptionalName
from hissmark.web.past import past_us, readings_at
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


@router.get("/{name:path}/acoustics", response_model=LossesShape)
def acoustics(context: Context, name: Name) -> Response:
    """Transmission losses and couplings of a group as believed now, how uncertain, and by the register."""
    known_group(context, name)
    restored = restored_engine(context.live.layout, context.reader)
    if restored is None:
        raise not_found(
            "learned loss", name, "The service has not saved its state yet; ask again in a minute."
        )
    group_index = context.live.layout.group_names.index(name)
    resets = context.reader.changes(kind=ChangeKind.LOSSES_RESET, subject=name)
    return answer(losses_shape(losses_of(restored[0], group_index), resets))


@router.get("/{name:path}", response_model=LiveReading)
def group(context: Context, name: Name, at: AtQuery = None) -> Response:
    """The latest reading of one group, or the one it had `at` a past moment."""
    known_group(context, name)
    at_us = past_us(context.live, at)
    if at_us is not None:
        return answer(readings_at(context.live, context.reader, (name,), at_us)[name])
    return answer(context.live.reading_json(name) or waiting_reading(context.live, name))


def known_group(context: WebContext, name: str) -> None:
    """Raises a 404 that says where to look if there is no such group."""
    if name not in context.live.layout.group_names:
        raise not_found("group", name, "GET /api/v1/groups lists them.")
