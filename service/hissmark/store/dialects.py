"""What SQLite and PostgreSQL say differently."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite


def upsert(connection: sa.Connection, table: sa.Table) -> Any:
    """An INSERT that knows `on_conflict_do_nothing` and `on_conflict_do_update`."""
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table)
    return postgresql.insert(table)


def cleaned(text: str) -> str:
    """Text from outside that both databases take: PostgreSQL refuses NUL, neither takes lone surrogates."""
    return text.replace("\0", "\\0").encode("utf-8", "backslashreplace").decode("utf-8")


def number(value: float | None) -> float | None:
    """A level for a nullable column: what is not known is NULL, never NaN."""
    return None if value is None or value != value else float(value)
