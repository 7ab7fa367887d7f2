"""The audit journal: who did what, when, from where. Append-only; the database refuses anything else."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import sqlalchemy as sa

from hissmark.store.dialects import cleaned
from hissmark.store.schema import audit

_LONGEST = 500


class AuditEvent(StrEnum):
    """What is put on record."""

    SIGNED_IN = "signed-in"
    SIGN_IN_FAILED = "sign-in-failed"
    LOCKED_OUT = "locked-out"
    SIGNED_OUT = "signed-out"
    REFUSED = "refused"
    ACTED = "acted"
    USER_ADDED = "user-added"
    PASSWORD_CHANGED = "password-changed"  # noqa: S105
    ROLE_CHANGED = "role-changed"
    DISABLED = "disabled"
    ENABLED = "enabled"
    TOKEN_CREATED = "token-created"  # noqa: S105
    TOKEN_REVOKED = "token-revoked"  # noqa: S105
    HOLD_PLACED = "hold-placed"
    HOLD_RELEASED = "hold-released"
    DELETED = "deleted"


@dataclass(frozen=True, slots=True)
class AuditRow:
    """One line on record. `address` is where it came from: an IP address, or ``command line``."""

    seq: int
    at_us: int
    who: str
    address: str
    event: str
    detail: str


@dataclass(frozen=True, slots=True)
class Author:
    """Who does something, and from where."""

    who: str
    address: str


def note(connection: sa.Connection, at_us: int, by: Author, event: AuditEvent, detail: str = "") -> None:
    """Put a line on record, in the caller's transaction."""
    values = {
        "at_us": at_us,
        "who": _short(by.who),
        "address": _short(by.address),
        "event": str(event),
        "detail": _short(detail),
    }
    connection.execute(sa.insert(audit).values(values))


def read(connection: sa.Connection, before_seq: int | None, limit: int) -> list[AuditRow]:
    """A page of it, newest first."""
    query = sa.select(audit).order_by(audit.c.seq.desc()).limit(limit)
    if before_seq is not None:
        query = query.where(audit.c.seq < before_seq)
    return [AuditRow(*row) for row in connection.execute(query)]


def _short(text: str) -> str:
    return cleaned(text if len(text) <= _LONGEST else text[:_LONGEST] + "...")
