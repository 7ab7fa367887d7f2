"""Reports: of any period at once, and those that were made on a schedule."""

from __future__ import annotations

import threading
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Path, Query, Response
from typing_extensions import TypedDict

from hissmark import __version__
from hissmark.publish.times import rfc3339
from hissmark.web.answers import answer, pdf_answer
from hissmark.web.api.repairs import PDF, PaperQuery, desk_of
from hissmark.web.context import Context
from hissmark.web.parameters import SpanQuery, invalid
from hissmark.web.problems import DOCUMENTED, not_found
from hissmark.web.spans import span_of

router = APIRouter(tags=["reports"], responses=DOCUMENTED)

WEEK_US = 7 * 86_400_000_000
MOST_US = 366 * 86_400_000_000
Form = Annotated[Literal["html", "pdf"], Query(alias="format", description="html or pdf")]

PAGE_OR_PDF: Final[dict[int | str, dict[str, Any]]] = {
    200: {"content": {"text/html": {}, "application/pdf": {}}, "description": "A page, or a PDF."}
}

_one_at_a_time = threading.Lock()
"""A report reads much; two at once would only take twice as long."""


class ReportShape(TypedDict):
    """A report that is kept; `GET /api/v1/reports/{number}` gives it."""

    id: int
    made_at: str
    since: str
    until: str


class Reports(TypedDict):
    """Reports that are kept, newest first."""

    reports: list[ReportShape]


@router.get("/report", response_class=Response, responses=PAGE_OR_PDF)
def report(context: Context, span: SpanQuery, form: Form = "html", paper: PaperQuery = "A4") -> Response:
    """The report of a period, by default of the last week: leaks, repairs, alarm figures, sensors."""
    from hissmark.reports.made import made
    from hissmark.reports.sources import Sources
    from hissmark.upkeep.following import Follower

    from_us, to_us = span_of(span, context.live.clock.now_us(), WEEK_US)
    if to_us - from_us > MOST_US:
        raise invalid("from", "a report covers at most a year and a day")
    appraiser = context.worth.appraiser if context.worth is not None else None
    sources = Sources(
        context.site_name, __version__, lambda: context.live.layout, desk_of(context), context.reader,
        appraiser, Follower(context.reader) if appraiser is None else appraiser.follower,
    )  # fmt: skip
    with _one_at_a_time:
        content = made(sources, from_us, to_us, form, paper)
    return _shown(content, form, f"report-{rfc3339(from_us)[:10]}")


@router.get("/reports", response_model=Reports)
def reports(context: Context) -> Response:
    """Reports that were made on the schedule of `[report]`."""
    rows: list[ReportShape] = [
        {"id": r.id, "made_at": rfc3339(r.made_us), "since": rfc3339(r.from_us), "until": rfc3339(r.to_us)}
        for r in (context.letters.reports() if context.letters is not None else [])
    ]
    return answer({"reports": rows})


@router.get("/reports/{number}", response_class=Response, responses=PDF)
def kept_report(
    context: Context, number: Annotated[int, Path(ge=1, le=2**53)], form: Form = "html"
) -> Response:
    """A report that is kept."""
    found = context.letters.report(number) if context.letters is not None else None
    if found is None:
        raise not_found("report", str(number), "GET /api/v1/reports lists those that are kept.")
    _, pdf, html = found
    return _shown(pdf if form == "pdf" else html, form, f"report-{number}")


def _shown(content: bytes, form: str, name: str) -> Response:
    """An HTML report brings its own style, and nothing else: no script may run in it."""
    if form == "pdf":
        return pdf_answer(content, f"{name}.pdf")
    policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'"
    headers = {"Cache-Control": "no-store", "Content-Security-Policy": policy}
    return Response(content, media_type="text/html; charset=utf-8", headers=headers)
