"""What was turned away: the reject log and the names that are not in the register. Both are bounded."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa

from hissmark.decode.columns import Reject, UnknownName
from hissmark.store.dialects import cleaned, upsert
from hissmark.store.records import RejectRow
from hissmark.store.schema import rejects, unknown_names


def add_rejects(connection: sa.Connection, arrived: list[Reject], limit: int) -> None:
    """Append to the reject log and drop what is more than `limit` rows old."""
    if not arrived:
        return
    values = [
        {
            "received_us": r.received_us,
            "topic": cleaned(r.topic),
            "reason": str(r.reason),
            "detail": cleaned(_detail(r)),
            "head": r.head,
        }
        for r in arrived[-limit:]
    ]
    connection.execute(sa.insert(rejects), values)
    newest = sa.select(sa.func.max(rejects.c.seq)).scalar_subquery()
    connection.execute(sa.delete(rejects).where(rejects.c.seq <= newest - limit))


def _detail(reject: Reject) -> str:
    """The first record's, and how many more of the message it stands for."""
    more = reject.count - 1
    if not more:
        return reject.detail
    return f"{reject.detail} (and {more} more {'record' if more == 1 else 'records'} of this message)"


def add_unknown(connection: sa.Connection, arrived: list[UnknownName], limit: int) -> None:
    """Add up the counts per name; of more than `limit` names those heard longest ago go."""
    if not arrived:
        return
    newest = sorted(arrived, key=lambda u: u.last_seen_us)[-limit:]
    statement = upsert(connection, unknown_names)
    statement = statement.on_conflict_do_update(
        index_elements=["name"],
        set_={
            "topic": statement.excluded.topic,
            "last_seen_us": statement.excluded.last_seen_us,
            "count": unknown_names.c.count + statement.excluded.count,
            "last_value": statement.excluded.last_value,
        },
    )
    connection.execute(statement, [_unknown_values(u) for u in newest])
    _bound_unknown(connection, limit)


def _unknown_values(unknown: UnknownName) -> dict[str, object]:
    return {
        "name": cleaned(unknown.name),
        "topic": cleaned(unknown.topic),
        "first_seen_us": unknown.first_seen_us,
        "last_seen_us": unknown.last_seen_us,
        "count": unknown.count,
        "last_value": unknown.last_value,
    }


def _bound_unknown(connection: sa.Connection, limit: int) -> None:
    names = unknown_names.c
    surplus = connection.scalars(
        sa.select(names.name).order_by(names.last_seen_us.desc(), names.name).offset(limit)
    ).all()
    if surplus:
        connection.execute(
            sa.delete(unknown_names).where(names.name == sa.bindparam("gone")), [{"gone": n} for n in surplus]
        )


def forget_unknown(connection: sa.Connection, names: Sequence[str]) -> None:
    """Take names off the list that are in the register now."""
    listed = set(connection.scalars(sa.select(unknown_names.c.name)))
    gone = [{"gone": name} for name in names if name in listed]
    if gone:
        connection.execute(sa.delete(unknown_names).where(unknown_names.c.name == sa.bindparam("gone")), gone)


def read_rejects(connection: sa.Connection, before_seq: int | None, limit: int) -> list[RejectRow]:
    """Newest first."""
    query = sa.select(rejects).order_by(rejects.c.seq.desc()).limit(limit)
    if before_seq is not None:
        query = query.where(rejects.c.seq < before_seq)
    return [RejectRow(*row) for row in connection.execute(query)]


def read_unknown(connection: sa.Connection, after_name: str, limit: int) -> list[UnknownName]:
    """By name, from the first after `after_name`."""
    query = sa.select(unknown_names).where(unknown_names.c.name > after_name)
    rows = connection.execute(query.order_by(unknown_names.c.name).limit(limit))
    return [UnknownName(*row) for row in rows]
