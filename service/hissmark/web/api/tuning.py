"""Tuning: trials of settings on stored history, running in the background."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.engine.change import Level
from hissmark.publish.times import rfc3339
from hissmark.tune.busiest import busiest_of
from hissmark.tune.request import DAY_US, Kind, TuneError, read_request
from hissmark.tune.runs import Run, Runs, TooManyError
from hissmark.tune.shapes import busy_shape
from hissmark.web.answers import answer
from hissmark.web.api.repairs import desk_of
from hissmark.web.context import Context, WebContext
from hissmark.web.parameters import PLAIN, Limit, SpanQuery
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem
from hissmark.web.spans import span_of

router = APIRouter(prefix="/tuning", tags=["tuning"], responses=DOCUMENTED)

Number = Annotated[int, Path(ge=1, le=2**53)]


class SettingBody(BaseModel):
    """Values at one level: of the whole site, of a group or of a valve (`subject`)."""

    level: Level = Level.SITE
    subject: str = Field(default="", max_length=200)
    values: dict[str, float] = Field(min_length=1, max_length=40)


class AxisBody(BaseModel):
    """One setting over several values."""

    setting: str = Field(min_length=1, max_length=60, pattern=PLAIN)
    values: list[float] = Field(min_length=1, max_length=200)


class RunBody(BaseModel):
    """What to try. `try` takes `settings`, `sweep` one or two `axes`, `suggest` a `budget`: false alarms
    allowed in a valve and year. `valves`: tags whose groups are replayed, none for the whole site.
    Backgrounds are learned from `before_days` before the period."""

    kind: Kind
    author: str = Field(default="", max_length=100)
    valves: list[str] = Field(default=[], max_length=5000)
    from_: str = Field(alias="from", max_length=40)
    to: str = Field(max_length=40)
    before_days: float = Field(default=14.0, ge=0, le=3660)
    settings: list[SettingBody] = Field(default=[], max_length=100)
    axes: list[AxisBody] = Field(default=[], max_length=2)
    level: Level = Level.SITE
    subject: str = Field(default="", max_length=200)
    budget: float | None = Field(default=None, gt=0, le=1000)


class RunShape(TypedDict):
    """One trial. `state`: waiting, running, done, failed, called off; `share` from 0 to 1."""

    id: int
    author: str
    asked: str
    state: str
    share: float
    message: str
    request: dict[str, Any]


class RunResult(RunShape):
    """A trial with its result, null until it is done."""

    result: dict[str, Any] | None


class BusyList(TypedDict):
    """Valves with the most alarms of a period, most first, and what these have in common (`says`); `setting`:
    the one to begin with, empty where the valve itself asks for a look."""

    since: str
    until: str
    valves: list[dict[str, Any]]


class RunList(TypedDict):
    """The trials, newest first. They are kept until the service ends."""

    runs: list[RunShape]


@router.get("/busiest", response_model=BusyList)
def busiest(context: Context, span: SpanQuery, limit: Limit = 10) -> Response:
    """Valves with the most alarms and why they alarm; by default of the last 30 days."""
    from_us, to_us = span_of(span, context.live.clock.now_us(), 30 * DAY_US)
    book = desk_of(context).book
    rows = busiest_of(context.live.layout, context.reader, book, from_us, to_us, limit)
    shown = [busy_shape(row) for row in rows]
    return answer({"since": rfc3339(from_us), "until": rfc3339(to_us), "valves": shown})


@router.get("/runs", response_model=RunList)
def runs(context: Context) -> Response:
    """The trials that are waiting, running or done."""
    return answer({"runs": [_shape(run) for run in _runs(context).all()]})


@router.post("/runs", response_model=RunResult, status_code=202, responses=REFUSED)
def ask(context: Context, body: RunBody) -> Response:
    """Have settings tried. The answer comes at once; look at the trial for its progress."""
    plain = body.model_dump(mode="json", by_alias=True, exclude={"author"})
    try:
        request = read_request(plain, context.live.layout)
        run = _runs(context).ask(request, context.who(body.author))
    except TuneError as error:
        return problem(422, f"This cannot be tried: {error}")
    except TooManyError as error:
        return problem(409, str(error))
    return answer(_with_result(run), 202)


@router.get("/runs/{number}", response_model=RunResult)
def one(context: Context, number: Number) -> Response:
    """One trial, with its result once it is done."""
    return answer(_with_result(_known(_runs(context).get(number), number)))


@router.post("/runs/{number}/call-off", response_model=RunResult)
def call_off(context: Context, number: Number) -> Response:
    """End a trial that waits or runs."""
    return answer(_with_result(_known(_runs(context).call_off(number), number)))


def _runs(context: WebContext) -> Runs:
    if context.tuning is None:
        raise not_found("place", "tuning", "This service tries no settings.")
    return context.tuning


def _known(run: Run | None, number: int) -> Run:
    if run is None:
        raise not_found("trial", str(number), "Trials are kept until the service ends; ask again.")
    return run


def _shape(run: Run) -> RunShape:
    return {
        "id": run.id,
        "author": run.author,
        "asked": rfc3339(run.asked_us),
        "state": run.state,
        "share": run.share,
        "message": run.message,
        "request": run.request.shape(),
    }


def _with_result(run: Run) -> RunResult:
    return {**_shape(run), "result": run.result}
