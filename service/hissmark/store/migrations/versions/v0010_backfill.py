"""Samples that came after their time, and the engine's state of past days."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _whole(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def upgrade() -> None:
    op.create_table(
        "backfill_marks",
        sa.Column("group_name", sa.Text, primary_key=True),
        *map(_whole, ("from_us", "to_us", "samples")),
        _text("cause"),
    )
    op.create_table(
        "backfills",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        _text("group_name"),
        *map(_whole, ("from_us", "to_us", "samples")),
        _text("cause"),
        *map(_whole, ("done_us", "ticks", "verdicts", "entries")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "found_later",
        sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
        _text("origin"),
    )
    op.create_table(
        "engine_checkpoints",
        sa.Column("saved_us", sa.BigInteger, primary_key=True, autoincrement=False),
        _text("ticks"),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
