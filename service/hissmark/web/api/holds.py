"""Legal holds: what may not be deleted, however old; placed and released by administrators, on record."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.access.audit import Author
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.archive.holds import Hold
from hissmark.web.answers import answer
from hissmark.web.context import CALLER, Context
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, invalid_body, time_us
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem

router = APIRouter(prefix="/legal-holds", tags=["legal holds"], responses=DOCUMENTED)

Number = Annotated[int, Path(ge=1, le=2**53)]


class HoldShape(TypedDict):
    """One hold; `valve` null: everything of that time. It stands until it is released."""

    number: int
    valve: str | None
    since: str
    until: str
    reason: str
    placed_by: str
    placed_at: str
    released_by: str | None
    released_at: str | None


class Holds(TypedDict):
    """Every hold, released ones too, oldest first."""

    holds: list[HoldShape]


class Placed(TypedDict):
    """The number of the new hold."""

    number: int


class NewHold(BaseModel):
    """Samples from `since` on, up to and without `until`, stay; without `valve` those of all."""

    since: str = Field(max_length=40)
    until: str = Field(max_length=40)
    reason: str = Field(min_length=1, max_length=1000, pattern=TEXT)
    valve: str | None = Field(default=None, min_length=1, max_length=200, pattern=PLAIN)
    operator: str = Field(default="", max_length=100, pattern=TEXT)


class Release(BaseModel):
    """Who releases it; whoever is signed in, if somebody is."""

    operator: str = Field(default="administrator", max_length=100, pattern=NAME_TEXT)


@router.get("", response_model=Holds)
def holds(context: Context) -> Response:
    """What may not be deleted, and what was held before."""
    found = context.holds.read() if context.holds is not None else []
    return answer({"holds": [_shape(hold) for hold in found]})


@router.post("", response_model=Placed, status_code=201, responses=REFUSED)
def place(context: Context, request: Request, new: NewHold) -> Response:
    """Place a hold."""
    since_us, until_us = time_us(new.since, "since"), time_us(new.until, "until")
    if since_us is None or until_us is None or since_us >= until_us:
        raise invalid_body("since", "must be earlier than 'until'")
    if new.valve is not None and not any(c.subject == new.valve for c in context.live.layout.channels):
        raise not_found("valve", new.valve, "GET /api/v1/valves lists them.")
    if context.holds is None:
        return problem(409, "Nothing is deleted here, so nothing needs to be held.")
    author = _author(context, request, new.operator)
    number = context.holds.place(new.valve, since_us, until_us, new.reason, author)
    return answer({"number": number}, status=201)


@router.post("/{number}/release", response_model=Placed, responses=REFUSED)
def release(context: Context, request: Request, number: Number, body: Release) -> Response:
    """Release a hold: what is old enough goes with the next housekeeping."""
    author = _author(context, request, body.operator)
    if context.holds is None or not context.holds.release(number, author):
        raise not_found("standing hold", str(number), "GET /api/v1/legal-holds lists them.")
    return answer({"number": number})


def _author(context: Context, request: Request, claimed: str) -> Author:
    caller = request.scope.get(CALLER)
    return Author(context.who(claimed) or "administrator", caller.address if caller else "")


def _shape(hold: Hold) -> HoldShape:
    return {
        "number": hold.id, "valve": hold.valve,
        "since": rfc3339(hold.from_us), "until": rfc3339(hold.to_us), "reason": hold.reason,
        "placed_by": hold.placed_by, "placed_at": rfc3339(hold.placed_us),
        "released_by": hold.released_by, "released_at": rfc3339_or_none(hold.released_us),
    }  # fmt: skip
