"""Samples and sums of many channels: streamed in the format that is asked for, however long it is."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from hissmark.export.even import GAP_US, How
from hissmark.export.formats import Format, encoded
from hissmark.export.questions import Question, UnknownSubjectError, What, answer, chosen_names
from hissmark.publish.times import parse_period
from hissmark.web.context import Context
from hissmark.web.parameters import PLAIN, SpanQuery, invalid
from hissmark.web.problems import DOCUMENTED

DAY_US = 86_400_000_000
_MOST_NAMES = 10_000
_MOST_POINTS = 10_000_000

router = APIRouter(prefix="/history", tags=["history"], responses=DOCUMENTED)


class Rows(StrEnum):
    """What of a channel is given."""

    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"
    EVEN = "even"


_One = Annotated[str, Query(min_length=1, max_length=200, pattern=PLAIN)]
_Many = Annotated[list[_One], Query(max_length=_MOST_NAMES)]
_CONTENT: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The rows, in the format asked for.",
        "content": {form.media_type.partition(";")[0]: {} for form in Format},
    }
}


@router.get("", response_class=StreamingResponse, responses=_CONTENT)
def history(
    context: Context,
    span: SpanQuery,
    name: _Many = [],  # noqa: B006
    valve: _Many = [],  # noqa: B006
    group: _Many = [],  # noqa: B006
    rows: Annotated[
        Rows, Query(description="raw samples, sums by minute or hour, or an even grid of time")
    ] = Rows.RAW,
    every: Annotated[str, Query(max_length=20, description="step of the grid: 1min, 1h, 1d")] = "1min",
    how: Annotated[How, Query(description="what stands on the grid")] = How.LAST,
    gap: Annotated[str, Query(max_length=20, description="how far a value reaches")] = "1h",
    format: Annotated[Format, Query()] = Format.JSON,
) -> StreamingResponse:
    """Rows of the named series, valves or groups (nothing named: all) of a span of time; the last day by
    default.
    """
    to_us = span.to_us if span.to_us is not None else context.live.clock.now_us()
    from_us = span.from_us if span.from_us is not None else to_us - DAY_US
    if from_us >= to_us:
        raise invalid("from", "must be earlier than 'to' (by default now)")
    try:
        names = chosen_names(context.live.layout, context.reader, name, valve, group)
    except UnknownSubjectError as error:
        raise invalid("name", str(error)) from None
    every_us, gap_us = _period(every, "every"), _period(gap, "gap") if gap != "1h" else GAP_US
    if rows is Rows.EVEN and len(names) * ((to_us - from_us) // every_us) > _MOST_POINTS:
        raise invalid(
            "every", f"more than {_MOST_POINTS} points; ask for fewer names, a shorter span or a longer step"
        )
    found = answer(context.reader, Question(What(rows.value), names, from_us, to_us, every_us, how, gap_us))
    headers = {"Hissmark-Rows": found.schema.metadata[b"rows"].decode()}
    return StreamingResponse(
        encoded(found.batches, found.schema, format), media_type=format.media_type, headers=headers
    )


def _period(text: str, where: str) -> int:
    try:
        return parse_period(text)
    except ValueError as error:
        raise invalid(where, str(error)) from None
