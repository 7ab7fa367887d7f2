"""Baselines in hand: what each channel has learned, what needs a look, and changes by people."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from typing_extensions import TypedDict

from hissmark.engine.change import BaselineStep, Change, ChangeKind
from hissmark.upkeep.baseline_desk import BaselineDesk, BaselineError
from hissmark.upkeep.baseline_shapes import (
    BaselineChangeShape,
    BaselineShape,
    NeedShape,
    baseline_shape,
    need_shape,
    taken_shape,
)
from hissmark.web.answers import answer
from hissmark.web.context import ActionOutcome, Context, WebContext
from hissmark.web.paging import NEWEST, next_link, page_of
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, Limit, Name, OptionalName, invalid_body, time_us
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found

router = APIRouter(prefix="/baselines", tags=["baselines"], responses=DOCUMENTED)

HISTORY_ROWS = 200


class Wanted(BaseModel):
    """Who wants it and why. `condition`: number of the operating condition; null: all of them."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    comment: str = Field(min_length=1, max_length=1000, pattern=TEXT)
    condition: int | None = Field(default=None, ge=0, le=100)


class FromPeriod(Wanted):
    """A period of the history in which all was well (RFC 3339); `condition` is needed."""

    condition: int | None = Field(default=0, ge=0, le=100)
    start: str = Field(alias="from", max_length=40)
    end: str = Field(alias="to", max_length=40)


class Copied(Wanted):
    """The channel (or valve) whose baselines are taken over; one that has left the register will do."""

    source: str = Field(alias="from", min_length=1, max_length=200, pattern=PLAIN)


class BaselinesPage(TypedDict):
    """A page of baselines in register order."""

    baselines: list[BaselineShape]
    next: str | None


class Needs(TypedDict):
    """Baselines that need a look, the most urgent first."""

    needs: list[NeedShape]


class OfChannel(TypedDict):
    """The baselines of one channel, and what people did to them, newest first."""

    baselines: list[BaselineShape]
    changes: list[BaselineChangeShape]


class Done(TypedDict):
    """What became of it."""

    applied: bool
    message: str
    change_id: int


@router.get("", response_model=BaselinesPage)
def baselines(
    context: Context, limit: Limit = 500, after: OptionalName = None, group: OptionalName = None
) -> Response:
    """Every channel's baselines: value, scale, state, how far it has moved, from what it was learned."""
    rows = [b for b in desk_of(context).baselines() if group in (None, b.group)]
    names, more = page_of(list(dict.fromkeys(b.channel for b in rows)), after, limit)
    wanted = set(names)
    query = {"limit": limit, "after": more, "group": group}
    link = next_link("/api/v1/baselines", query) if more else None
    return answer({"baselines": [baseline_shape(b) for b in rows if b.channel in wanted], "next": link})


@router.get("/needs", response_model=Needs)
def needs(context: Context) -> Response:
    """Baselines that need a look: at their bound, suspect, held, drifting, little data."""
    return answer({"needs": [need_shape(n) for n in desk_of(context).needs()]})


@router.get("/{channel:path}", response_model=OfChannel)
def of_channel(context: Context, channel: Name) -> Response:
    """The baselines of one channel (or valve), and what people did to them."""
    known = _known(context, channel)
    rows = [
        row
        for subject in dict.fromkeys((known[0].channel, known[0].subject))
        for row in context.reader.changes(
            kind=ChangeKind.BASELINE, subject=subject, before_id=NEWEST, limit=HISTORY_ROWS
        )
    ]
    rows.sort(key=lambda row: -row.id)
    return answer(
        {"baselines": [baseline_shape(b) for b in known], "changes": [taken_shape(row) for row in rows]}
    )


@router.post("/{channel:path}/from-period", response_model=Done, responses=REFUSED)
def from_period(context: Context, channel: Name, body: FromPeriod) -> Response:
    """Take the baseline from a period of the history in which all was well."""
    begin, end = time_us(body.start, "from"), time_us(body.end, "to")
    if begin is None or end is None or begin >= end or body.condition is None:
        raise invalid_body("from", "must be earlier than 'to', and the condition must be given")
    _known(context, channel)
    return _carried_out(
        context,
        lambda desk: [
            desk.from_period(channel, body.condition or 0, begin, end, body.operator, body.comment)
        ],
    )


@router.post("/{channel:path}/copy", response_model=Done, responses=REFUSED)
def copy(context: Context, channel: Name, body: Copied) -> Response:
    """Take over what another channel has learned, for instance the sensor that was there before."""
    _known(context, channel)
    return _carried_out(context, lambda desk: desk.copied(channel, body.source, body.operator, body.comment))


@router.post("/{channel:path}/{step}", response_model=Done, responses=REFUSED)
def step(
    context: Context, channel: Name, step: Literal["approve", "hold", "release", "relearn"], body: Wanted
) -> Response:
    """Approve the baseline as it is, hold it, release it, or have it learned anew from now on."""
    _known(context, channel)
    wanted = BaselineStep(step)
    return _carried_out(
        context, lambda desk: [desk.step(wanted, channel, body.condition, body.operator, body.comment)]
    )


def desk_of(context: WebContext) -> BaselineDesk:
    """The baselines; a 503 where nothing judges."""
    if context.baselines is None:
        raise HTTPException(503, "Nothing learns baselines here.")
    return context.baselines


def _known(context: WebContext, channel: str) -> list[Any]:
    try:
        return list(desk_of(context).of(channel))
    except BaselineError as error:
        raise not_found("channel or valve", channel, str(error)) from None


def _carried_out(context: WebContext, make: Any) -> Response:
    """Make the changes, record them, wait until they are taken up."""
    if context.change is None:
        raise HTTPException(503, "Nothing learns baselines here.")
    try:
        changes: list[Change] = make(desk_of(context))
    except BaselineError as error:
        raise HTTPException(409, str(error)) from None
    outcomes = [context.change(change) for change in changes]
    desk_of(context).forget()
    refused = [o for o in outcomes if not o.applied]
    if refused:
        raise HTTPException(409, _sentence(refused[0]))
    values = ", ".join(f"{c.payload['value_db']:.1f} dB" for c in changes if "value_db" in c.payload)
    message = f"Set to {values}." if values else f"{changes[0].payload['step']}: done."
    return answer({"applied": True, "message": message.capitalize(), "change_id": outcomes[-1].action_id})


def _sentence(outcome: ActionOutcome) -> str:
    text = outcome.message
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
