"""Measured leaks, and what is assumed when a leak is valued."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "calibrations",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("supersedes", sa.BigInteger, nullable=True),
        sa.Column("valve", sa.Text, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("typed", sa.Text, nullable=False),
        sa.Column("medium", sa.Text, nullable=False),
        sa.Column("level_db", sa.Double, nullable=False),
        sa.Column("level_sd_db", sa.Double, nullable=False),
        sa.Column("rate_kg_s", sa.Double, nullable=False),
        sa.Column("sd_decades", sa.Double, nullable=False),
        sa.Column("upstream_pa", sa.Double, nullable=True),
        sa.Column("downstream_pa", sa.Double, nullable=True),
        sa.Column("temperature_k", sa.Double, nullable=True),
        sa.Column("steps", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("calibrations_by_valve", "calibrations", ["valve", "id"])
    op.create_table(
        "assumptions",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("valve", sa.Text, nullable=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("assumptions_by_name", "assumptions", ["name", "id"])
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for table in ("calibrations", "assumptions"):
        for statement in _SQLITE_TRIGGERS if on_sqlite else _POSTGRES_TRIGGERS:
            op.execute(statement.format(table=table))


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


_SQLITE_TRIGGERS = (
    """CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, '{table} are append-only'); END""",
    """CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table}
    BEGIN SELECT RAISE(ABORT, '{table} are append-only'); END""",
)

_POSTGRES_TRIGGERS = (
    """CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
)
