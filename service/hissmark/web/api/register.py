"""The register and what does not fit it: channels, unknown names, rejected records, settings."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.web.answers import answer
from hissmark.web.api.valves import register_row
from hissmark.web.context import Context
from hissmark.web.paging import next_link, page_of
from hissmark.web.parameters import Limit, OptionalName, Seq
from hissmark.web.problems import DOCUMENTED

router = APIRouter(tags=["register"], responses=DOCUMENTED)


class Channels(TypedDict):
    """A page of channels: row of the register, health, when last heard."""

    channels: list[dict[str, Any]]
    next: str | None


class UnknownNames(TypedDict):
    """Names that arrive but are not in the register."""

    names: list[dict[str, Any]]
    next: str | None


class Rejects(TypedDict):
    """Records that were turned away, newest first; `head` holds their first bytes as hexadecimal text."""

    rejects: list[dict[str, Any]]
    next: str | None


@router.get("/channels", response_model=Channels)
def channels(context: Context, limit: Limit = 200, after: OptionalName = None) -> Response:
    """Every channel of the register with its health."""
    live = context.live
    names, more = page_of([c.name for c in live.layout.channels], after, limit)
    heard = live.last_heard()
    rows = {c.name: c for c in live.layout.channels}
    said: dict[str, dict[str, Any]] = {c["channel"]: dict(c) for r in live.readings() for c in r["channels"]}
    page = []
    for name in names:
        latest = said.get(name)
        state = {key: latest[key] for key in _STATE} if latest else dict.fromkeys(_STATE)
        page.append({**register_row(rows[name]), **state, "last_heard": rfc3339_or_none(heard.get(name, 0))})
    link = next_link("/api/v1/channels", {"limit": limit, "after": more}) if more else None
    return answer({"channels": page, "next": link})


_STATE = ("health", "baseline_state", "verdict", "reason", "level_db", "baseline_db", "steady")


@router.get("/unknown-names", response_model=UnknownNames)
def unknown_names(context: Context, limit: Limit = 200, after: OptionalName = None) -> Response:
    """Names that arrive but are not in the register, by name."""
    rows = context.reader.unknown_names(after_name=after or "", limit=limit)
    page = [
        {
            "name": row.name,
            "topic": row.topic,
            "first_seen": rfc3339(row.first_seen_us),
            "last_seen": rfc3339(row.last_seen_us),
            "count": row.count,
            "last_value": row.last_value,
        }
        for row in rows
    ]
    more = {"limit": limit, "after": rows[-1].name} if len(rows) == limit else None
    return answer({"names": page, "next": next_link("/api/v1/unknown-names", more) if more else None})


@router.get("/rejects", response_model=Rejects)
def rejects(context: Context, limit: Limit = 100, before: Seq = None) -> Response:
    """Records that were turned away, newest first."""
    rows = context.reader.rejects(before_seq=before, limit=limit)
    page = [
        {
            "seq": row.seq,
            "received": rfc3339(row.received_us),
            "topic": row.topic,
            "reason": row.reason,
            "detail": row.detail,
            "head": row.head.hex(),
        }
        for row in rows
    ]
    more = {"limit": limit, "before": rows[-1].seq} if len(rows) == limit else None
    return answer({"rejects": page, "next": next_link("/api/v1/rejects", more) if more else None})


@router.get("/settings", response_model=dict[str, Any])
def settings(context: Context) -> Response:
    """The site's settings in force, without secrets."""
    return answer(dict(context.settings()))
