"""Parameters that many endpoints share, checked once: names, pages, spans of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Path, Query
from fastapi.exceptions import RequestValidationError

from hissmark.publish.times import parse_rfc3339

MAX_PAGE = 1000
_MAX_SEQ = 2**53  # JSON numbers beyond it are not exact in JavaScript

PLAIN = r"^[^\x00-\x1f\x7f]+$"
"""No control characters: databases refuse NUL, and the rest has no place in a name."""
NAME_TEXT = r"^[^\x00-\x1f\x7f]*[^\x00-\x1f\x7f\s][^\x00-\x1f\x7f]*$"
"""No control characters, and something that can be seen."""
TEXT = r"^[^\x00-\x08\x0b-\x1f\x7f]*$"
"""Free text: lines and tabs, no other control characters."""

Name = Annotated[str, Path(min_length=1, max_length=200, pattern=PLAIN)]
OptionalName = Annotated[str | None, Query(min_length=1, max_length=200, pattern=PLAIN)]
Limit = Annotated[int, Query(ge=1, le=MAX_PAGE, description="rows in the answer")]
Seq = Annotated[int | None, Query(ge=0, le=_MAX_SEQ)]
AtQuery = Annotated[str | None, Query(max_length=40, description="a past moment, RFC 3339; now if left out")]
_Time = Annotated[str | None, Query(max_length=40, description="RFC 3339, e.g. 2026-03-01T02:14:00Z")]


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time in microseconds since 1970 UTC; None where it is open."""

    from_us: int | None
    to_us: int | None


def _span(
    start: Annotated[_Time, Query(alias="from")] = None, end: Annotated[_Time, Query(alias="to")] = None
) -> Span:
    span = Span(time_us(start, "from"), time_us(end, "to"))
    if span.from_us is not None and span.to_us is not None and span.from_us >= span.to_us:
        raise invalid("from", "must be earlier than 'to'")
    return span


SpanQuery = Annotated[Span, Depends(_span)]


def time_us(text: str | None, where: str) -> int | None:
    """Read a time of the query; raises a 422 that names the parameter."""
    if text is None:
        return None
    try:
        return parse_rfc3339(text)
    except ValueError as error:
        raise invalid(where, str(error)) from None


def invalid_body(where: str, message: str) -> RequestValidationError:
    """A 422 about one field of the body."""
    return RequestValidationError([{"loc": ("body", where), "msg": message, "type": "value_error"}])


def invalid(where: str, message: str) -> RequestValidationError:
    """A 422 about one query parameter."""
    return RequestValidationError([{"loc": ("query", where), "msg": message, "type": "value_error"}])
