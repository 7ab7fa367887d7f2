"""Findings and repairs: put on record, corrected, taken back; how the check of each repair stands."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark import __version__
from hissmark.publish.times import rfc3339
from hissmark.repairs.desk import Desk, RecordError
from hissmark.repairs.listing import RepairList, Sources, repair_list
from hissmark.repairs.shapes import FindingShape, RepairShape
from hissmark.store.repair_records import Cost, Finding, Found, Repair, Work
from hissmark.web.answers import answer, pdf_answer
from hissmark.web.context import Context, WebContext
from hissmark.web.paging import next_link
from hissmark.web.parameters import (
    NAME_TEXT,
    PLAIN,
    TEXT,
    Limit,
    OptionalName,
    Seq,
    invalid_body,
    time_us,
)
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem

router = APIRouter(tags=["repairs"], responses=DOCUMENTED)

PaperQuery = Annotated[Literal["A4", "Letter"], Query(description="size of the paper")]
PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}}}
Number = Annotated[int, Path(ge=1, le=2**53)]


class CostBody(BaseModel):
    """Money: a decimal number as text, and an ISO 4217 code."""

    amount: str = Field(min_length=1, max_length=20, pattern=PLAIN)
    currency: str = Field(min_length=3, max_length=3, pattern=PLAIN)


class NewRecord(BaseModel):
    """What findings and repairs have in common.

    `who` found or did it; `operator` puts it on record, if that is somebody else. `at` is now if left out.
    `supersedes` is the number of the record that this one corrects.
    """

    valve: str = Field(min_length=1, max_length=200, pattern=PLAIN)
    who: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    operator: str = Field(default="", max_length=100, pattern=TEXT)
    at: str | None = Field(default=None, max_length=40)
    note: str = Field(default="", max_length=4000, pattern=TEXT)
    cost: CostBody | None = None
    supersedes: int | None = Field(default=None, ge=1, le=2**53)


class NewFinding(NewRecord):
    """What was found at a valve; `source` is the valve that passes instead, for a wrong valve."""

    found: Found
    source: str | None = Field(default=None, min_length=1, max_length=200, pattern=PLAIN)


class NewRepair(NewRecord):
    """What was done to a valve; `at` is when the work was finished."""

    work: Work


class Withdrawal(BaseModel):
    """Who takes a record back, and why."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    note: str = Field(min_length=1, max_length=1000, pattern=TEXT)


class Findings(TypedDict):
    """A page of findings, newest number first."""

    now: str
    findings: list[FindingShape]
    next: str | None


class Repairs(TypedDict):
    """A page of repairs, newest number first."""

    now: str
    repairs: list[RepairShape]
    next: str | None


class RepairInFull(RepairShape):
    """A repair with what was heard before and after; null while that is not known."""

    details: dict[str, Any] | None


class Recorded(TypedDict):
    """The number under which something is on record now."""

    id: int


@router.get("/findings", response_model=Findings)
def findings(
    context: Context, limit: Limit = 100, before: Seq = None, valve: OptionalName = None
) -> Response:
    """What was found at valves, also what was corrected since (`stands` false)."""
    rows: list[Any] = desk_of(context).looked().findings
    return answer(_page(context, "findings", rows, limit, before, valve))


@router.get("/repairs", response_model=Repairs)
def repairs(context: Context, limit: Limit = 100, before: Seq = None, valve: OptionalName = None) -> Response:
    """What was done to valves, and how the check of each repair stands."""
    rows: list[Any] = desk_of(context).looked().repairs
    return answer(_page(context, "repairs", rows, limit, before, valve))


@router.get("/repair-list", response_model=RepairList)
def to_repair(context: Context) -> Response:
    """Which valves to repair now, in which order and why; which to leave alone, and what that has saved."""
    return answer(repair_list(sources_of(context)))


@router.get("/repairs/{number}", response_model=RepairInFull)
def repair(context: Context, number: Number) -> Response:
    """One repair with the levels before and after it."""
    row, details = repair_in_full(context, number)
    return answer({**row, "details": details})


@router.get("/repairs/{number}/certificate", response_class=Response, responses=PDF | REFUSED)
def certificate(context: Context, number: Number, paper: PaperQuery = "A4") -> Response:
    """The certificate of a repair whose check has ended, as a PDF of one page (A4 or Letter)."""
    from hissmark.paper.certificate import NoCertificateError, certificate, certified_of

    desk = desk_of(context)
    repair_in_full(context, number)
    try:
        what = certified_of(
            desk.looked(), number, site=context.site_name, register=desk.register, now_us=desk.now_us(),
            version=__version__,
        )  # fmt: skip
    except NoCertificateError as error:
        return problem(409, str(error))
    return pdf_answer(certificate(what, paper), f"repair-{number}.pdf")


@router.post("/findings", response_model=Recorded, status_code=201, responses=REFUSED)
def record_finding(context: Context, new: NewFinding) -> Response:
    """Put a finding on record. It is durable when the answer comes."""
    desk = _desk_for(context, new)
    finding = Finding(
        new.valve, _at_us(desk, new), new.found, new.who.strip(), new.note.strip(), new.source, _cost(new),
        _recorder(context, new),
    )  # fmt: skip
    return _recorded(lambda: desk.record_finding(finding, new.supersedes))


@router.post("/repairs", response_model=Recorded, status_code=201, responses=REFUSED)
def record_repair(context: Context, new: NewRepair) -> Response:
    """Put a repair on record. It is durable when the answer comes; its check begins by itself."""
    desk = _desk_for(context, new)
    done = Repair(
        new.valve, _at_us(desk, new), new.work, new.who.strip(), new.note.strip(), _cost(new),
        _recorder(context, new),
    )  # fmt: skip
    return _recorded(lambda: desk.record_repair(done, new.supersedes))


@router.post("/findings/{number}/withdraw", response_model=Recorded, status_code=201, responses=REFUSED)
def withdraw_finding(context: Context, number: Number, asked: Withdrawal) -> Response:
    """Take a finding back; it stays on record and counts for nothing."""
    return _withdrawn(context, "finding", number, asked)


@router.post("/repairs/{number}/withdraw", response_model=Recorded, status_code=201, responses=REFUSED)
def withdraw_repair(context: Context, number: Number, asked: Withdrawal) -> Response:
    """Take a repair back; it stays on record and counts for nothing."""
    return _withdrawn(context, "repair", number, asked)


def desk_of(context: WebContext) -> Desk:
    """The site's desk. A service without one would be a fault of ours."""
    if context.desk is None:
        raise RuntimeError("this service keeps no repairs")
    return context.desk


def sources_of(context: WebContext) -> Sources:
    """What the repair list is made from."""
    live = context.live
    return Sources(
        desk_of(context), context.reader, live.layout.settings, live.readings, live.alarms_json,
        context.worth.appraiser if context.worth is not None else None,
    )  # fmt: skip


def repair_in_full(context: WebContext, number: int) -> tuple[RepairShape, dict[str, Any] | None]:
    """A repair and the levels before and after it. Raises a 404."""
    looked = desk_of(context).looked()
    row = next((r for r in looked.repairs if r["id"] == number), None)
    if row is None:
        raise not_found("repair", str(number), "GET /api/v1/repairs lists them.")
    check = looked.checks.get(number)
    return row, check.ended.payload if check is not None and check.ended is not None else None


def _desk_for(context: WebContext, new: NewRecord) -> Desk:
    """The desk, if the register has the valve. Raises a 404."""
    desk = desk_of(context)
    if new.valve not in desk.register.valves:
        raise not_found("valve", new.valve, "GET /api/v1/valves lists them.")
    return desk


def _page(
    context: WebContext, what: str, rows: list[Any], limit: int, before: int | None, valve: str | None
) -> dict[str, Any]:
    fit = sorted((r for r in rows if valve in (None, r["valve"])), key=lambda r: -r["id"])
    page = [r for r in fit if before is None or r["id"] < before][:limit]
    more = None
    if page and page[-1]["id"] != fit[-1]["id"]:
        query = {"limit": limit, "before": page[-1]["id"], "valve": valve}
        more = next_link(f"/api/v1/{what}", query)
    return {"now": rfc3339(context.live.clock.now_us()), what: page, "next": more}


def _at_us(desk: Desk, new: NewRecord) -> int:
    if new.at is None:
        return desk.now_us()
    found = time_us(new.at, "at")
    assert found is not None  # noqa: S101 - a text was given
    return found


def _cost(new: NewRecord) -> Cost | None:
    if new.cost is None:
        return None
    try:
        return Cost.read(new.cost.amount, new.cost.currency)
    except ValueError as error:
        raise invalid_body("cost", str(error)) from None


def _recorder(context: WebContext, new: NewRecord) -> str:
    by = context.who(new.operator)
    return "" if by == new.who.strip() else by


def _withdrawn(context: WebContext, kind: str, number: int, asked: Withdrawal) -> Response:
    who = context.who(asked.operator)
    return _recorded(lambda: desk_of(context).withdraw(kind, number, who, asked.note.strip()))


def _recorded(deed: Any) -> Response:
    try:
        return answer({"id": deed()}, 201)
    except RecordError as error:
        return problem(409, str(error))
