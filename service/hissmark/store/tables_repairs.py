"""Tables of findings, repairs, and what the sound said of each repair. All append-only.

A row is corrected by another one that supersedes it (once only); `withdrawn` takes it back.
"""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata


def _record(name: str, *own: sa.Column[str]) -> sa.Table:
    """What findings and repairs have in common. Money is a decimal number as text: no rounding."""
    return sa.Table(
        name,
        metadata,
        sa.Column("id", BigKey, primary_key=True, autoincrement=True),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("valve", sa.Text, nullable=False),
        *own,
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("recorded_by", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("amount", sa.Text),
        sa.Column("currency", sa.Text),
        sa.Column("supersedes", sa.BigInteger, unique=True),
        sa.Column("withdrawn", sa.SmallInteger, nullable=False),
        sa.Index(f"{name}_by_valve", "valve", "at_us"),
        sqlite_autoincrement=True,
    )


findings = _record(
    "findings", sa.Column("found", sa.Text, nullable=False), sa.Column("source", sa.Text, nullable=True)
)
repairs = _record("repairs", sa.Column("work", sa.Text, nullable=False))

# One row a repair once its check has ended. `payload` is JSON: levels before and after, pressure, hold time.
repair_outcomes = sa.Table(
    "repair_outcomes",
    metadata,
    sa.Column("repair_id", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("about", sa.Text),
    sa.Column("payload", sa.Text, nullable=False),
)
