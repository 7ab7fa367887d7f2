"""Changes to the computation: recorded by any process, applied by the service."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from hissmark.engine.change import Change, ChangeKind
from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.records import ChangeRow
from hissmark.store.schema import actions

KINDS = tuple(str(kind) for kind in ChangeKind)


def record_change(engine: sa.Engine, change: Change, now_us: int) -> int:
    """Put a change on record in a transaction of its own; durable when this returns its id.

    `engine` comes from `open_store` or, in another process than the service, `open_for_actions`.
    """
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return insert_change(connection, change, now_us)


def insert_change(connection: sa.Connection, change: Change, now_us: int) -> int:
    """Put a change on record within a transaction; returns its id."""
    values = {
        "requested_us": now_us,
        "operator": cleaned(change.operator),
        "action": str(change.kind),
        "valve": cleaned(change.subject),
        "alarm": "",
        "comment": cleaned(change.reason),
        "payload": json.dumps(dict(change.payload), sort_keys=True, allow_nan=False),
    }
    return int(connection.execute(sa.insert(actions).returning(actions.c.id), values).scalar_one())


def read_changes(
    connection: sa.Connection,
    *,
    kind: ChangeKind | None = None,
    subject: str | None = None,
    after_id: int = 0,
    before_id: int | None = None,
    limit: int = 100,
) -> list[ChangeRow]:
    """One page: oldest first after `after_id`, or newest first before `before_id`."""
    c = actions.c
    kinds = KINDS if kind is None else (str(kind),)
    query = sa.select(actions).where(c.action.in_(kinds), c.id > after_id).limit(limit)
    if subject is not None:
        query = query.where(c.valve == subject)
    if before_id is not None:
        query = query.where(c.id < before_id)
    query = query.order_by(c.id if before_id is None else c.id.desc())
    return [change_row(row) for row in connection.execute(query)]


def read_change(connection: sa.Connection, change_id: int) -> ChangeRow | None:
    """One change, None if there is none of that number."""
    query = sa.select(actions).where(actions.c.id == change_id, actions.c.action.in_(KINDS))
    row = connection.execute(query).one_or_none()
    return None if row is None else change_row(row)


def change_row(row: sa.Row[Any]) -> ChangeRow:
    """A row of `actions` that is a change."""
    r = row._mapping
    applied_us = r["applied_after_us"]
    change = Change(
        ChangeKind(r["action"]), r["valve"], r["operator"], r["comment"], json.loads(r["payload"] or "{}"),
        r["id"], applied_us or 0,
    )  # fmt: skip
    return ChangeRow(r["id"], r["requested_us"], change, applied_us, r["outcome"])
