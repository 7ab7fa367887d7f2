"""Findings, repairs, and what the sound said of each repair."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TABLES = ("findings", "repairs", "repair_outcomes")


def upgrade() -> None:
    _record("findings", sa.Column("found", sa.Text, nullable=False), sa.Column("source", sa.Text))
    _record("repairs", sa.Column("work", sa.Text, nullable=False))
    op.create_table(
        "repair_outcomes",
        sa.Column("repair_id", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("about", sa.Text, nullable=True),
        sa.Column("payload", sa.Text, nullable=False),
    )
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for table in _TABLES:
        for statement in _sqlite_triggers(table) if on_sqlite else _postgres_triggers(table):
            op.execute(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


def _record(name: str, *own: sa.Column[str]) -> None:
    op.create_table(
        name,
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("valve", sa.Text, nullable=False),
        *own,
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("recorded_by", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("amount", sa.Text, nullable=True),
        sa.Column("currency", sa.Text, nullable=True),
        sa.Column("supersedes", sa.BigInteger, nullable=True, unique=True),
        sa.Column("withdrawn", sa.SmallInteger, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index(f"{name}_by_valve", name, ["valve", "at_us"])


def _sqlite_triggers(table: str) -> list[str]:
    return [
        f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        for deed in ("UPDATE", "DELETE")
    ]


def _postgres_triggers(table: str) -> list[str]:
    return [
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()",
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()",
    ]
