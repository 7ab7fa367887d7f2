"""Everything after a position: for programs that follow samples, verdicts, the journal and what was judged
again.

A position is taken from the last answer and kept by whoever follows. Rows come in the order in which they
were stored, each once; who was away misses nothing that is still kept.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from typing_extensions import TypedDict

from hissmark.publish.alarm_shapes import journal_shape
from hissmark.publish.shapes import JournalShape
from hissmark.publish.times import rfc3339
from hissmark.store.arrivals import Arrival, GoneError
from hissmark.store.backfill import Backfill
from hissmark.store.records import VerdictRow
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.problems import DOCUMENTED, problem

router = APIRouter(prefix="/changes", tags=["changes"], responses=DOCUMENTED)

_MOST = 100_000
After = Annotated[
    int, Query(ge=0, le=2**53, description="the position of the last answer; 0: from the oldest kept")
]
Limit = Annotated[int, Query(ge=1, le=_MOST, description="rows in the answer, about")]


class SampleRow(TypedDict):
    """A sample as it arrived. `flags`: 1 late, 2 time ahead of the clock, 4 time of receipt, 8 retained."""

    time: str
    name: str
    value: float
    flags: int


class VerdictChangeRow(TypedDict):
    """From `at` on this was the verdict. A row for a valve and time that was told before takes its place."""

    seq: int
    at: str
    valve: str
    verdict: str
    reason: str
    source: str | None
    rise_db: float | None
    margin_db: float | None
    level_db: float | None
    baseline_db: float | None


class JudgedAgainRow(TypedDict):
    """Levels and verdicts of a group behind `from` up to `to` may differ from what was told: read them
    anew.
    """

    id: int
    group: str
    start: str
    end: str
    cause: str
    done_at: str


class SampleChanges(TypedDict):
    """`position` goes into the next question; `more`: ask again at once."""

    position: int
    more: bool
    rows: list[SampleRow]


class VerdictChanges(TypedDict):
    """As `SampleChanges`."""

    position: int
    more: bool
    rows: list[VerdictChangeRow]


class JournalChanges(TypedDict):
    """As `SampleChanges`."""

    position: int
    more: bool
    rows: list[JournalShape]


class JudgedAgain(TypedDict):
    """As `SampleChanges`."""

    position: int
    more: bool
    rows: list[JudgedAgainRow]


@router.get("/samples", response_model=SampleChanges)
def samples(context: Context, after: After = 0, limit: Limit = 10_000) -> Response:
    """New samples in order of arrival, whole transactions at a time. 410 if what follows is kept no more."""
    try:
        found = context.reader.arrivals(after, limit)
    except GoneError as error:
        return problem(410, str(error))
    names = {row.id: row.name for row in context.reader.series()}
    rows = [row for arrival in found for row in sample_rows(arrival, names)]
    position = found[-1].seq if found else max(after, 0)
    return _page(position, len(rows) >= limit, rows)


@router.get("/verdicts", response_model=VerdictChanges)
def verdicts(context: Context, after: After = 0, limit: Limit = 1000) -> Response:
    """Changes of verdicts in the order in which they were stored."""
    rows = context.reader.verdict_changes(after_seq=after, limit=limit)
    return _page(rows[-1].seq if rows else after, len(rows) == limit, [_verdict(row) for row in rows])


@router.get("/journal", response_model=JournalChanges)
def journal(context: Context, after: After = 0, limit: Limit = 1000) -> Response:
    """The alarm journal in the order of its numbers, which have no gaps."""
    rows = context.reader.journal(after_seq=after, limit=limit)
    return _page(rows[-1].seq if rows else after, len(rows) == limit, [journal_shape(row) for row in rows])


@router.get("/judged-again", response_model=JudgedAgain)
def judged_again(context: Context, after: After = 0, limit: Limit = 1000) -> Response:
    """Groups that were judged again because samples came after their time."""
    rows = context.reader.backfills(after_id=after, limit=limit)
    return _page(rows[-1].id if rows else after, len(rows) == limit, [_again(row) for row in rows])


def _page(position: int, more: bool, rows: list[Any]) -> Response:
    return answer({"position": position, "more": more, "rows": rows})


def sample_rows(arrival: Arrival, names: dict[int, str]) -> list[SampleRow]:
    """New samples of one transaction; `names` by number of series."""
    c = arrival.columns
    columns = (c.time_us.tolist(), c.series_id.tolist(), c.value.tolist(), c.flags.tolist())
    return [
        {"time": rfc3339(t), "name": names[i], "value": v, "flags": f}
        for t, i, v, f in zip(*columns, strict=True)
    ]


def _verdict(row: VerdictRow) -> VerdictChangeRow:
    c = row.change
    return {
        "seq": row.seq, "at": rfc3339(c.at_us), "valve": c.valve, "verdict": c.verdict, "reason": c.reason,
        "source": c.source, "rise_db": c.rise_db, "margin_db": c.margin_db, "level_db": c.level_db,
        "baseline_db": c.baseline_db,
    }  # fmt: skip


def _again(row: Backfill) -> JudgedAgainRow:
    return {
        "id": row.id, "group": row.group, "start": rfc3339(row.from_us), "end": rfc3339(row.to_us),
        "cause": row.cause, "done_at": rfc3339(row.done_us),
    }  # fmt: skip
