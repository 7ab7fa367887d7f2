"""A valve's history summed up by periods of time, as JSON or CSV."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Header, Query, Response
from typing_extensions import TypedDict

from hissmark.engine.register import Channel
from hissmark.publish.times import parse_period, period_start_us, rfc3339
from hissmark.store.history import ChannelHistory
from hissmark.store.reader import Reader
from hissmark.store.whereabouts import Stay
from hissmark.upkeep.following import history_parts
from hissmark.web.answers import answer
from hissmark.web.api.valves import known_places
from hissmark.web.context import Context
from hissmark.web.paging import next_link
from hissmark.web.parameters import Name, SpanQuery, invalid
from hissmark.web.problems import DOCUMENTED

if TYPE_CHECKING:
    import pandas as pd

router = APIRouter(prefix="/valves", tags=["valves"], responses=DOCUMENTED)

CSV = "text/csv"
DEFAULT_PERIODS = 24
MOST_TICKS = 600_000
"""Ticks read for one answer, more than a year of minutes; the rest is on the next page."""


class Summary(TypedDict):
    """A page of periods, the oldest first. `damaged` names what of the history could not be read.

    Levels and rises are dB. `mean_db` (of the energy), `min_db`, `max_db` are of the ticks' levels, which
    are floors (L90). `l90_db`, `l50_db`, `l10_db` are exceeded by 90 % of the ticks' floors, half of their
    middles, 10 % of their tops. `share_...` is the share of the ticks with each verdict.
    """

    valve: str
    channel: str
    every: str
    periods: list[dict[str, str | int | float | None]]
    damaged: list[str]
    next: str | None


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was asked for, made complete. Times are microseconds since 1970 UTC."""

    places: list[Stay]
    every: str
    every_us: int
    from_us: int
    to_us: int
    limit: int
    csv: bool

    @property
    def channel(self) -> Channel:
        """The sensor that listens there now, or did last."""
        return self.places[-1].channel

    def next_address(self, from_us: int) -> str:
        """Of the page that begins there."""
        path = f"/api/v1/valves/{quote(self.channel.subject)}/summary"
        span = {"from": rfc3339(from_us), "to": rfc3339(self.to_us)}
        format_ = "csv" if self.csv else "json"
        return next_link(path, {"every": self.every, **span, "limit": self.limit, "format": format_})


@router.get("/{tag:path}/summary", response_model=Summary, responses={200: {"content": {CSV: {}}}})
def valve_summary(
    context: Context,
    tag: Name,
    span: SpanQuery,
    every: Annotated[str, Query(max_length=20, description="10min, 1h, 1d, 1w; 1min to 31d")] = "1h",
    limit: Annotated[int, Query(ge=1, le=10_000, description="most periods in the answer")] = 1000,
    format_: Annotated[
        Literal["json", "csv"] | None, Query(alias="format", description="stands over the header Accept")
    ] = None,
    accept: Annotated[str, Header()] = "",
) -> Response:
    """Level, rise and verdicts by periods; by default the last 24. Periods without ticks are left out."""
    places = known_places(context, tag)
    every_us = _every_us(every)
    to_us = span.to_us if span.to_us is not None else context.live.clock.now_us()
    from_us = span.from_us
    if from_us is None:
        from_us = period_start_us(to_us, every_us) - (DEFAULT_PERIODS - 1) * every_us
    csv = format_ == "csv" or (format_ is None and prefers_csv(accept))
    asked = _Asked(places, every, every_us, from_us, to_us, limit, csv)
    return _answer(context.reader, asked)


def prefers_csv(accept: str) -> bool:
    """Whether a header Accept (RFC 9110, 12.5.1) names text/csv, and above application/json."""
    quality = {CSV: 0.0, "application/json": 0.0}
    for part in accept.lower().split(","):
        kind, *parameters = (word.strip() for word in part.split(";"))
        if kind in quality:
            quality[kind] = _quality(parameters)
    return quality[CSV] > quality["application/json"]


def _quality(parameters: list[str]) -> float:
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return float(value)
            except ValueError:
                return 0.0
    return 1.0


def _every_us(every: str) -> int:
    try:
        return parse_period(every)
    except ValueError as error:
        raise invalid("every", str(error)) from None


def _answer(reader: Reader, asked: _Asked) -> Response:
    # pandas takes its time to load: that is done when it is first asked for, not when the service starts
    from hissmark.publish.summary import COLUMNS, csv_of, rows_of, to_go_out

    damaged: list[str] = []
    summary, next_us = _page(reader, asked, damaged)
    ready = None if summary is None else to_go_out(summary, asked.every_us)
    link = None if next_us is None else asked.next_address(next_us)
    if asked.csv:
        head = ",".join(COLUMNS) + "\r\n"
        return _csv(head if ready is None else csv_of(ready, line_end="\r\n"), link, len(damaged))
    return answer(
        {
            "valve": asked.channel.subject,
            "channel": asked.channel.name,
            "every": asked.every,
            "periods": [] if ready is None else rows_of(ready),
            "damaged": damaged,
            "next": link,
        },
        Vary="Accept",
    )


def _csv(text: str, link: str | None, damaged: int) -> Response:
    """RFC 4180. What JSON has beside the periods goes into headers (a link as in RFC 8288)."""
    headers = {"Cache-Control": "no-store", "Vary": "Accept", "Hissmark-Damaged": str(damaged)}
    if link is not None:
        headers["Link"] = f'<{link}>; rel="next"'
    return Response(text, media_type=f"{CSV}; charset=utf-8; header=present", headers=headers)


def _page(reader: Reader, asked: _Asked, damaged: list[str]) -> tuple[pd.DataFrame | None, int | None]:
    """At most `limit` periods (None if there is none), and where the next page begins."""
    import pandas as pd

    from hissmark.publish.summary import by_period, period_starts_us

    found: list[pd.DataFrame] = []
    periods, ticks, next_us = 0, 0, None
    for summary in by_period(_parts(reader, asked, damaged), asked.every_us):
        found.append(summary)
        periods, ticks = periods + len(summary), ticks + int(summary["ticks"].sum())
        if periods > asked.limit or ticks >= MOST_TICKS:
            next_us = int(period_starts_us(summary)[-1]) + asked.every_us
            break
    if not found:
        return None, None
    joined = pd.concat(found)
    if periods > asked.limit:
        next_us = int(period_starts_us(joined)[asked.limit])
    return joined.iloc[: asked.limit], next_us


def _parts(reader: Reader, asked: _Asked, damaged: list[str]) -> Iterator[ChannelHistory]:
    for part in history_parts(reader, asked.places, asked.from_us, asked.to_us):
        damaged += part.damaged
        yield part
