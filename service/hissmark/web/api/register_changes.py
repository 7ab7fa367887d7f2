"""The register as engineers change it: looked at first, then put in force; versions, commissioning check."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from typing_extensions import TypedDict

from hissmark.engine.register import Register
from hissmark.site.candidate import Candidate, EditError, moved_to, register_of, with_changes, with_rows
from hissmark.site.problems import Problem, Severity, SiteError
from hissmark.site.register_diff import difference, summary
from hissmark.site.register_text import digest_of, register_text
from hissmark.store.registers import How, RegisterBusyError, RegisterVersion
from hissmark.upkeep.looking import commission
from hissmark.upkeep.register_book import Author, CandidateError, RegisterBook
from hissmark.upkeep.shapes import (
    CandidateShape,
    ChangeShape,
    ChannelCheckShape,
    VersionShape,
    candidate_shape,
    change_shape,
    check_shape,
    version_shape,
)
from hissmark.web.answers import answer
from hissmark.web.context import Context, WebContext
from hissmark.web.paging import next_link
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, Limit, OptionalName, Seq, invalid_body
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found

router = APIRouter(prefix="/register", tags=["register"], responses=DOCUMENTED)

ANSWER_S = 20.0
"""A large site takes seconds to go on under a new register."""
MOST_ROWS = 20_000
CSV: dict[int | str, dict[str, Any]] = {200: {"content": {"text/csv": {}}}}
TABLE = {"requestBody": {"content": {"text/csv": {"schema": {"type": "string", "format": "binary"}}}}}

CellText = Annotated[str, Field(max_length=2000, pattern=TEXT)]
Cells = dict[Annotated[str, Field(min_length=1, max_length=200, pattern=PLAIN)], CellText]
Number = Annotated[int, Path(ge=1, le=2**53)]


class Rows(BaseModel):
    """Rows to add to the register: column -> text."""

    rows: list[Cells] = Field(min_length=1, max_length=1000)


class Move(BaseModel):
    """A sensor that sits on another valve now; `cells` say what else differs in its row."""

    channel: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    valve: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    cells: Cells = Field(default_factory=dict)


class Row(BaseModel):
    """Other text in some cells of one channel."""

    channel: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    cells: Cells = Field(min_length=1)


class Back(BaseModel):
    """A version of before."""

    version: int = Field(ge=1, le=2**53)


class PutInForce(BaseModel):
    """A register that was looked at: `text` and `base` as the look gave them, who wants it and why."""

    text: str = Field(min_length=1, max_length=8_000_000)
    base: str = Field(min_length=64, max_length=64, pattern=PLAIN)
    how: How = How.IMPORTED
    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    comment: str = Field(default="", max_length=1000, pattern=TEXT)


class InForce(TypedDict):
    """The version in force (null before the first) and one that waits; how large the register is."""

    version: VersionShape | None
    waiting: VersionShape | None
    channels: int
    valves: int
    groups: list[str]


class Versions(TypedDict):
    """A page of versions, newest first."""

    versions: list[VersionShape]
    next: str | None


class Differences(TypedDict):
    """What changed from one version to another."""

    summary: str
    changes: list[ChangeShape]


class Commissioning(TypedDict):
    """The check of the channels of one group or of all."""

    checks: list[ChannelCheckShape]


@router.get("", response_model=InForce)
def in_force(context: Context) -> Response:
    """The register in force; its rows are under `channels`."""
    register, book = context.live.layout.register, book_of(context)
    version, waiting = book.in_force(), book.waiting()
    return answer(
        {
            "version": version_shape(version) if version else None,
            "waiting": version_shape(waiting) if waiting else None,
            "channels": len(register.channels),
            "valves": len(register.valves),
            "groups": list(register.groups),
        }
    )


@router.get("/export", response_class=Response, responses=CSV)
def export(context: Context, version: Annotated[int | None, Query(ge=1, le=2**53)] = None) -> Response:
    """The register in force, or a version of before, as CSV (RFC 4180, UTF-8)."""
    if version is None:
        text, name = register_text(context.live.layout.register), "register.csv"
    else:
        text, name = _version(context, version).text, f"register-{version}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(text.encode(), media_type="text/csv; charset=utf-8; header=present", headers=headers)


@router.post("/look", response_model=CandidateShape, openapi_extra=TABLE)
async def look(context: Context, request: Request, file: OptionalName = None) -> Response:
    """Look at a CSV (the body, as a spreadsheet saves it): every problem, and what it would change."""
    raw = await request.body()
    present = context.live.layout.register
    book = book_of(context)
    found = await run_in_threadpool(book.look_at, present, raw, file or "table.csv")
    return _told(context, found)


@router.post("/look-rows", response_model=CandidateShape)
def look_rows(context: Context, body: Rows) -> Response:
    """Look at further rows, for instance of names that are not in the register yet."""
    return _looked(context, lambda present: with_rows(present, list(body.rows)))


@router.post("/look-move", response_model=CandidateShape)
def look_move(context: Context, body: Move) -> Response:
    """Look at what it changes that a sensor sits on another valve."""
    return _looked(context, lambda present: moved_to(present, body.channel, body.valve, body.cells))


@router.post("/look-row", response_model=CandidateShape)
def look_row(context: Context, body: Row) -> Response:
    """Look at other text in some cells of one channel."""
    return _looked(context, lambda present: with_changes(present, body.channel, body.cells))


@router.post("/look-version", response_model=CandidateShape)
def look_version(context: Context, body: Back) -> Response:
    """Look at what it would change to go back to a version of before."""
    text = _version(context, body.version).text
    return _looked(context, lambda present: text)


@router.post("/put-in-force", response_model=VersionShape, responses=REFUSED)
def put_in_force(context: Context, body: PutInForce) -> Response:
    """Put a register in force that was looked at: all of it, between two ticks, without a restart.

    Waits for the service; if that takes long the answer says that it is still waiting.
    """
    book, present = book_of(context), context.live.layout.register
    if body.base != digest_of(present):
        raise HTTPException(409, "The register has changed meanwhile. Look at the differences again.")
    candidate = book.look_at_text(present, body.text)
    author = Author(context.who(body.operator), body.comment.strip())
    try:
        number = book.put_in_force(candidate, body.how, author, context.live.clock.now_us())
    except CandidateError as error:
        raise invalid_body("text", str(error)) from None
    except (RegisterBusyError, SiteError) as error:
        raise HTTPException(409, str(error)) from None
    return answer(version_shape(book.wait_for(number, ANSWER_S)))


@router.get("/versions", response_model=Versions)
def versions(context: Context, limit: Limit = 50, before: Seq = None) -> Response:
    """Every register that was put in force or wanted, newest first."""
    rows = book_of(context).versions(before_id=before, limit=limit)
    more = {"limit": limit, "before": rows[-1].id} if len(rows) == limit else None
    link = next_link("/api/v1/register/versions", more) if more else None
    return answer({"versions": [version_shape(v) for v in rows], "next": link})


@router.get("/versions/{number}", response_model=Differences)
def version(
    context: Context, number: Number, since: Annotated[int | None, Query(ge=1, le=2**53)] = None
) -> Response:
    """What a version changed: against the one it was made from, or against `since`."""
    wanted = _version(context, number)
    base = wanted.base_id if since is None else since
    before = register_of(_version(context, base).text) if base is not None else Register(())
    changes = difference(before, register_of(wanted.text))
    return answer({"summary": summary(changes), "changes": [change_shape(c) for c in changes]})


@router.get("/commissioning", response_model=Commissioning)
def commissioning(context: Context, group: OptionalName = None) -> Response:
    """Does every sensor and tag deliver what the register says it does? Of one group, or of all."""
    register = context.live.layout.register
    if group is not None and group not in register.groups:
        raise not_found("group", group, "GET /api/v1/groups lists them.")
    groups = list(register.groups) if group is None else [group]
    found = commission(context.reader, register, groups, context.live.clock.now_us())
    return answer({"checks": [check_shape(c, name) for name, checks in found.items() for c in checks]})


def book_of(context: WebContext) -> RegisterBook:
    """The register's versions; a 503 where the service keeps none."""
    if context.registers is None:
        raise HTTPException(503, "This service keeps no versions of the register.")
    return context.registers


def _version(context: WebContext, number: int) -> RegisterVersion:
    found = book_of(context).version(number)
    if found is None:
        raise not_found("version", str(number), "GET /api/v1/register/versions lists them.")
    return found


def _looked(context: WebContext, make: Any) -> Response:
    present = context.live.layout.register
    try:
        text = make(present)
    except EditError as error:
        raise invalid_body("channel", str(error)) from None
    return _told(context, book_of(context).look_at_text(present, text))


def _told(context: WebContext, candidate: Candidate) -> Response:
    """What the look found, and which alarms would leave the list with their valves."""
    if candidate.register is not None:
        subjects = {c.subject for c in candidate.register.channels}
        candidate.problems.extend(
            Problem(
                "alarms", None, a.valve,
                f"its {a.alarm.value.replace('-', ' ')} alarm stands, {a.state.value.replace('-', ' ')}; "
                "without a sensor the valve leaves the list.",
                "Make sure that somebody looks after it.", Severity.WARNING,
            )
            for a in context.live.active()
            if a.valve not in subjects
        )  # fmt: skip
    return answer(candidate_shape(candidate))
