"""Every version of the register: asked for by any process, put in force by the service, kept for good."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import sqlalchemy as sa

from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.tables_register import register_versions

IN_FORCE = "in force"
OVERTAKEN = "overtaken: register.csv was edited before it came into force"


class How(StrEnum):
    """How a version came about."""

    FOUND = "found in register.csv"
    IMPORTED = "imported"
    ADDED = "channels added"
    MOVED = "sensor moved"
    CHANGED = "row changed"
    ROLLED_BACK = "rolled back"


class RegisterBusyError(Exception):
    """The register is not what whoever asked had before them; the message says what happened."""


@dataclass(frozen=True, slots=True)
class NewVersion:
    """A register that somebody wants in force. `text` is CSV, `base_id` the version it was made from."""

    operator: str
    comment: str
    how: How
    text: str
    digest: str
    base_id: int | None


@dataclass(frozen=True, slots=True)
class RegisterVersion:
    """A version on record.

    Attributes:
        applied_us: the service's clock when it came into force, None if it has not.
        applied_after_us: group (of this register or of the one before) -> the group's last tick before.
        left_behind: what channels had learned on the places they left, see `baselines_of`.
        outcome: `IN_FORCE`, why not, or None while it waits for the service.
    """

    id: int
    recorded_us: int
    operator: str
    comment: str
    how: How
    base_id: int | None
    digest: str
    text: str
    applied_us: int | None
    applied_after_us: dict[str, int]
    left_behind: list[dict[str, Any]]
    outcome: str | None


def ask_for(engine: sa.Engine, version: NewVersion, now_us: int) -> int:
    """Put a register on record that the service is to take over; durable when this returns its number.

    Raises RegisterBusyError if another one is waiting or has come into force since `base_id`.
    """
    with in_words(place_of(engine.url)), engine.begin() as connection:
        if connection.dialect.name == "postgresql":  # SQLite's transactions exclude each other anyway
            connection.exec_driver_sql("LOCK TABLE register_versions IN SHARE ROW EXCLUSIVE MODE")
        other = waiting(connection)
        if other is not None:
            raise RegisterBusyError(
                f"Version {other.id} of {other.operator or 'register.csv'} is waiting to come into force. "
                "Look again once it is."
            )
        present = in_force(connection)
        if present is not None and present.id != version.base_id:
            raise RegisterBusyError(
                f"The register has changed meanwhile: version {present.id} ({present.how}"
                f"{f' by {present.operator}' if present.operator else ''}). Look at the differences again."
            )
        return add(connection, version, now_us)


def add(connection: sa.Connection, version: NewVersion, now_us: int) -> int:
    """Add a version that waits; returns its number."""
    values = {
        "recorded_us": now_us,
        "operator": cleaned(version.operator),
        "comment": cleaned(version.comment),
        "how": str(version.how),
        "base_id": version.base_id,
        "digest": version.digest,
        "text": version.text,
    }
    statement = sa.insert(register_versions).returning(register_versions.c.id)
    return int(connection.execute(statement, values).scalar_one())


def settle(
    connection: sa.Connection,
    number: int,
    outcome: str,
    *,
    applied_us: int | None = None,
    applied_after_us: Mapping[str, int] | None = None,
    left_behind: list[dict[str, Any]] | None = None,
) -> None:
    """Write what became of a version; an outcome that is there already stays."""
    c = register_versions.c
    values = {
        "outcome": cleaned(outcome),
        "applied_us": applied_us,
        "applied_after": json.dumps(dict(applied_after_us or {})),
        "left_behind": json.dumps(left_behind or []),
    }
    connection.execute(sa.update(register_versions).where(c.id == number, c.outcome.is_(None)).values(values))


def waiting(connection: sa.Connection) -> RegisterVersion | None:
    """The version that is to come into force, None if none is. Quick."""
    c = register_versions.c
    query = sa.select(register_versions).where(c.outcome.is_(None)).order_by(c.id.desc()).limit(1)
    row = connection.execute(query).one_or_none()
    return None if row is None else _version(row)


def in_force(connection: sa.Connection) -> RegisterVersion | None:
    """The version in force, None before the first."""
    c = register_versions.c
    query = sa.select(register_versions).where(c.outcome == IN_FORCE).order_by(c.id.desc()).limit(1)
    row = connection.execute(query).one_or_none()
    return None if row is None else _version(row)


def read(connection: sa.Connection, number: int) -> RegisterVersion | None:
    """One version, None if there is none of that number."""
    query = sa.select(register_versions).where(register_versions.c.id == number)
    row = connection.execute(query).one_or_none()
    return None if row is None else _version(row)


def read_page(connection: sa.Connection, before_id: int | None, limit: int) -> list[RegisterVersion]:
    """Newest first."""
    query = sa.select(register_versions).order_by(register_versions.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(register_versions.c.id < before_id)
    return [_version(row) for row in connection.execute(query)]


def all_in_force(connection: sa.Connection) -> list[RegisterVersion]:
    """Every version that was in force, oldest first."""
    c = register_versions.c
    query = sa.select(register_versions).where(c.outcome == IN_FORCE).order_by(c.id)
    return [_version(row) for row in connection.execute(query)]


def _version(row: sa.Row[Any]) -> RegisterVersion:
    r = row._mapping
    return RegisterVersion(
        r["id"], r["recorded_us"], r["operator"], r["comment"], How(r["how"]), r["base_id"], r["digest"],
        r["text"], r["applied_us"], json.loads(r["applied_after"] or "{}"),
        json.loads(r["left_behind"] or "[]"), r["outcome"],
    )  # fmt: skip
