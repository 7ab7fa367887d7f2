"""What leaks are worth: of one valve, of all in order, and the measured leaks and assumptions behind them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from typing_extensions import TypedDict

from hissmark.appraise.desk import WorthDesk
from hissmark.appraise.points import FIELDS, PointError, new_point, withdrawal
from hissmark.appraise.shapes import (
    CAUTION,
    OpenRange,
    PointShape,
    RangeShape,
    WorthShape,
    brief,
    point_shape,
    worth_shape,
)
from hissmark.publish.times import rfc3339
from hissmark.store.calibrations import Assumption, Calibration, standing
from hissmark.web.answers import answer
from hissmark.web.api.valves import known_valve
from hissmark.web.context import Context, WebContext
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, Limit, Name, OptionalName, invalid_body, time_us
from hissmark.web.past import past_us
from hissmark.web.problems import DOCUMENTED, not_found
from hissmark.worth.assumptions import checked
from hissmark.worth.units import UnitError

router = APIRouter(tags=["worth"], responses=DOCUMENTED)

MOST_TYPED = 200
_Number = Annotated[int, Path(ge=1, le=2**53)]
_At = Annotated[str | None, Query(max_length=40, description="RFC 3339; now if left out")]


class Ranked(TypedDict):
    """One line of the list. `rate`, `loss` are in words with their interval; `needs` says what is missing."""

    valve: str
    group: str
    at: str | None
    verdict: str
    status: str
    needs: str
    rate: str
    rate_kg_h: OpenRange | None
    money_year: RangeShape | None
    currency: str
    equivalent_kg_year: RangeShape | None
    pay_back_days: OpenRange | None
    leak_db: float | None


class Ranking(TypedDict):
    """Valves, the most worth first; those without a rate come last, the loudest first."""

    now: str
    valves: list[Ranked]
    caution: str


class Points(TypedDict):
    """Measured leaks on record, oldest first, also those that no longer count."""

    points: list[PointShape]


class NewPoint(BaseModel):
    """A measured leak. `typed` holds what was read, each with its unit (see `fields` in the manual)."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    reason: str = Field(default="", max_length=1000, pattern=TEXT)
    valve: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    at: str | None = Field(default=None, max_length=40)
    typed: dict[str, str] = Field(max_length=len(FIELDS))
    supersedes: int | None = Field(default=None, ge=1, le=2**53)


class Withdrawal(BaseModel):
    """Who takes a measured leak back, and why."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    reason: str = Field(min_length=1, max_length=1000, pattern=TEXT)


class NewAssumption(BaseModel):
    """An assumption of one valve, or (without `valve`) of the site. An empty text takes it back."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    reason: str = Field(default="", max_length=1000, pattern=TEXT)
    valve: str | None = Field(default=None, min_length=1, max_length=200, pattern=PLAIN)
    name: str = Field(min_length=1, max_length=100, pattern=PLAIN)
    text: str = Field(max_length=MOST_TYPED, pattern=TEXT)


class StatedAssumption(TypedDict):
    """An assumption as it is on record; `valve` null: of the site."""

    id: int
    valve: str | None
    name: str
    text: str
    author: str
    reason: str
    recorded_at: str


class AssumptionsOnRecord(TypedDict):
    """Everything that was assumed, oldest first; of each name the newest counts."""

    assumptions: list[StatedAssumption]


@router.get("/valves/{tag:path}/worth", response_model=WorthShape)
def worth(context: Context, tag: Name, at: _At = None, known: _At = None) -> Response:
    """Rate, loss, emissions, seat class of one valve, each with its 90 % interval and where it comes from.

    `known` answers with the measured leaks and assumptions that were on record at that moment.
    """
    known_valve(context.live, tag)
    at_us = past_us(context.live, at)
    found = _desk(context).appraiser.worth_of(tag, at_us, known_us=time_us(known, "known"))
    return answer(worth_shape(found))


@router.get("/worth", response_model=Ranking)
def ranking(
    context: Context, limit: Limit = 100, group: OptionalName = None, at: _At = None, standing: bool = False
) -> Response:
    """Valves by what their leak is worth. `standing`: only those whose passing alarm stands."""
    at_us, live = past_us(context.live, at), context.live
    tags = [v for v, c in live.layout.register.valves.items() if group is None or c.group == group]
    if standing:
        moment = at_us if at_us is not None else live.clock.now_us()
        up = {a.valve for a in context.reader.alarms_at(moment, group=group) if a.alarm.value == "passing"}
        tags = [v for v in tags if v in up]
    found = _desk(context).appraiser.worth_of_all(tags, at_us)[:limit]
    rows = [_ranked(worth_shape(w), brief(w)) for w in found]
    return answer({"now": rfc3339(live.clock.now_us()), "valves": rows, "caution": CAUTION})


def _ranked(shape: WorthShape, rate: str) -> Ranked:
    loss, air = shape["loss"], shape["emissions"]
    return {
        "valve": shape["valve"],
        "group": shape["group"],
        "at": shape["at"],
        "verdict": shape["verdict"],
        "status": shape["status"],
        "needs": shape["needs"],
        "rate": rate,
        "rate_kg_h": shape["rate_kg_h"],
        "money_year": loss["money_year"] if loss else None,
        "currency": loss["currency"] if loss else "",
        "equivalent_kg_year": air["equivalent_kg_year"] if air else None,
        "pay_back_days": loss["pay_back_days"] if loss else None,
        "leak_db": shape["leak_db"],
    }


@router.get("/calibration", response_model=Points)
def points(context: Context, valve: OptionalName = None) -> Response:
    """Measured leaks with what was typed and what was made of it."""
    rows = context.reader.calibrations(valve=valve)
    counting = {row.id for row in standing(rows)}
    return answer({"points": [point_shape(row, row.id in counting) for row in rows]})


@router.post("/calibration", response_model=PointShape, status_code=201)
def add_point(context: Context, point: NewPoint) -> Response:
    """Put a measured leak on record; the level at that time is taken from the history unless it is typed."""
    desk = _desk(context)
    channel = known_valve(context.live, point.valve)
    at_us = time_us(point.at, "at")
    at_us = context.live.clock.now_us() if at_us is None else at_us
    if at_us > context.live.clock.now_us():
        raise invalid_body("at", "lies in the future")
    if point.supersedes is not None:
        _standing(context, point.supersedes, point.valve)
    try:
        made = new_point(
            channel, at_us, point.typed, context.who(point.operator), point.reason.strip(),
            desk.appraiser.knowledge(), context.reader,
        )  # fmt: skip
    except PointError as error:
        raise invalid_body("typed", str(error)) from None
    return answer(point_shape(desk.add(made, point.supersedes), counts=True), 201)


@router.post("/calibration/{number}/withdraw", response_model=PointShape)
def withdraw(context: Context, number: _Number, why: Withdrawal) -> Response:
    """Take a measured leak back: it stays on record, and counts no more."""
    desk = _desk(context)
    row = _standing(context, number)
    try:
        gone = withdrawal(row, context.who(why.operator), why.reason.strip())
    except PointError as error:
        raise invalid_body("reason", str(error)) from None
    return answer(point_shape(desk.add(gone, number), counts=False))


def _desk(context: WebContext) -> WorthDesk:
    if context.worth is None:
        raise HTTPException(503, "This service values no leaks.")
    return context.worth


def _standing(context: WebContext, number: int, valve: str | None = None) -> Calibration:
    """The point of that number, if it still counts (and is of that valve)."""
    for row in standing(context.reader.calibrations(valve=valve)):
        if row.id == number:
            return row
    raise not_found("measured leak that counts", str(number), "GET /api/v1/calibration lists them.")


@router.get("/assumptions", response_model=AssumptionsOnRecord)
def assumptions(context: Context) -> Response:
    """What was assumed for valuing leaks, with who stated it when, and why."""
    return answer({"assumptions": [_stated(row) for row in context.reader.assumptions()]})


@router.post("/assumptions", response_model=StatedAssumption, status_code=201)
def assume(context: Context, wanted: NewAssumption) -> Response:
    """State an assumption; the ones before stay on record."""
    desk = _desk(context)
    if wanted.valve is not None:
        known_valve(context.live, wanted.valve)
    try:
        text = checked(wanted.name, wanted.text)
    except UnitError as error:
        raise invalid_body("text", str(error)) from None
    row = Assumption(wanted.name, text, wanted.valve, context.who(wanted.operator), wanted.reason.strip())
    return answer(_stated(desk.assume(row)), 201)


def _stated(row: Assumption) -> StatedAssumption:
    return {
        "id": row.id,
        "valve": row.valve,
        "name": row.name,
        "text": row.text,
        "author": row.author,
        "reason": row.reason,
        "recorded_at": rfc3339(row.recorded_us),
    }
