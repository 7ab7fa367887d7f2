"""What operators ask for: recorded by any process, applied by the service."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.store.changes import KINDS, change_row
from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.records import ActionRow, ChangeRow
from hissmark.store.schema import actions


def record_action(engine: sa.Engine, request: ActionRequest, now_us: int) -> int:
    """Put an action on record in a transaction of its own; durable when this returns its id.

    `engine` comes from `open_store` or, in another process than the service, `open_for_actions`.
    """
    values = {
        "requested_us": now_us,
        "operator": cleaned(request.operator),
        "action": str(request.kind),
        "valve": cleaned(request.valve),
        "alarm": str(request.alarm),
        "comment": cleaned(request.comment),
        "until_us": request.until_us,
    }
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return int(connection.execute(sa.insert(actions).returning(actions.c.id), values).scalar_one())


def pending(connection: sa.Connection, limit: int) -> list[ActionRow | ChangeRow]:
    """Actions and changes without an outcome, oldest first."""
    query = sa.select(actions).where(actions.c.outcome.is_(None)).order_by(actions.c.id).limit(limit)
    return [
        change_row(row) if row._mapping["action"] in KINDS else _row(row) for row in connection.execute(query)
    ]


def settle(connection: sa.Connection, action_id: int, applied_after_us: int | None, outcome: str) -> None:
    """Write the outcome; one that is there already stays."""
    connection.execute(
        sa.update(actions)
        .where(actions.c.id == action_id, actions.c.outcome.is_(None))
        .values(applied_after_us=applied_after_us, outcome=outcome)
    )


def read(connection: sa.Connection, action_id: int) -> ActionRow | None:
    """One action, None if there is none of that number."""
    query = sa.select(actions).where(actions.c.id == action_id, actions.c.action.not_in(KINDS))
    row = connection.execute(query).one_or_none()
    return None if row is None else _row(row)


def read_page(connection: sa.Connection, before_id: int | None, limit: int) -> list[ActionRow]:
    """Newest first."""
    query = sa.select(actions).where(actions.c.action.not_in(KINDS))
    query = query.order_by(actions.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(actions.c.id < before_id)
    return [_row(row) for row in connection.execute(query)]


def _row(row: sa.Row[tuple[object, ...]]) -> ActionRow:
    r = row._mapping
    request = ActionRequest(
        ActionKind(r["action"]), r["valve"], AlarmKind(r["alarm"]), r["operator"], r["comment"], r["until_us"]
    )
    return ActionRow(r["id"], r["requested_us"], request, r["applied_after_us"], r["outcome"])
