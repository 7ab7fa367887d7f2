"""Notifications: how each receiver is doing, and what became of each message."""

from __future__ import annotations

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.notify.notifier import Told
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.outbox import OutboxRow
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.paging import next_link
from hissmark.web.parameters import Limit, OptionalName, Seq
from hissmark.web.problems import DOCUMENTED

router = APIRouter(prefix="/notifications", tags=["notifications"], responses=DOCUMENTED)


class ReceiverShape(TypedDict):
    """One receiver. `waiting` messages, the oldest due since `waiting_since`; counts since the start."""

    name: str
    kind: str
    waiting: int
    waiting_since: str | None
    sent: int
    refused: int
    failures: int
    trouble: str


class MessageShape(TypedDict):
    """One message: journal entry `seq` for one receiver. `outcome` null while it waits."""

    id: int
    receiver: str
    seq: int
    kind: str
    created: str
    due: str
    attempts: int
    last_error: str
    done: str | None
    outcome: str | None


class Notifications(TypedDict):
    """Receivers, and a page of messages, newest first."""

    receivers: list[ReceiverShape]
    messages: list[MessageShape]
    next: str | None


@router.get("", response_model=Notifications)
def notifications(
    context: Context, limit: Limit = 100, before: Seq = None, receiver: OptionalName = None
) -> Response:
    """Who is told of alarms and how that goes."""
    if context.notifier is None:
        return answer({"receivers": [], "messages": [], "next": None})
    rows = context.notifier.outbox.rows(receiver=receiver, before_id=before, limit=limit)
    query = {"limit": limit, "before": rows[-1].id if rows else None, "receiver": receiver}
    more = next_link("/api/v1/notifications", query) if len(rows) == limit else None
    told = [_receiver(one) for one in context.notifier.told()]
    return answer({"receivers": told, "messages": [_message(row) for row in rows], "next": more})


def _receiver(told: Told) -> ReceiverShape:
    return {
        "name": told.name,
        "kind": told.kind,
        "waiting": told.waiting,
        "waiting_since": rfc3339_or_none(told.due_us),
        "sent": told.condition.sent,
        "refused": told.condition.refused,
        "failures": told.condition.failures,
        "trouble": told.condition.trouble,
    }


def _message(row: OutboxRow) -> MessageShape:
    planned = row.planned
    return {
        "id": row.id,
        "receiver": planned.receiver,
        "seq": planned.seq,
        "kind": planned.kind,
        "created": rfc3339(planned.created_us),
        "due": rfc3339(planned.due_us),
        "attempts": row.attempts,
        "last_error": row.last_error,
        "done": rfc3339_or_none(row.done_us),
        "outcome": row.outcome,
    }
