"""Versions of the register, with who, when and why."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "register_versions",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("recorded_us", sa.BigInteger, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("comment", sa.Text, nullable=False),
        sa.Column("how", sa.Text, nullable=False),
        sa.Column("base_id", sa.BigInteger, nullable=True),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("applied_us", sa.BigInteger, nullable=True),
        sa.Column("applied_after", sa.Text, nullable=True),
        sa.Column("left_behind", sa.Text, nullable=True),
        sa.Column("outcome", sa.Text, nullable=True),
        sqlite_autoincrement=True,
    )
    op.create_index("register_versions_by_outcome", "register_versions", ["outcome", "id"])
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE_TRIGGERS if on_sqlite else _POSTGRES_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


_SQLITE_TRIGGERS = (
    """CREATE TRIGGER register_versions_no_delete BEFORE DELETE ON register_versions
    BEGIN SELECT RAISE(ABORT, 'versions of the register are append-only'); END""",
    """CREATE TRIGGER register_versions_settled BEFORE UPDATE ON register_versions
    WHEN OLD.outcome IS NOT NULL
    BEGIN SELECT RAISE(ABORT, 'versions of the register are append-only with their outcome'); END""",
)

_POSTGRES_TRIGGERS = (
    """CREATE TRIGGER register_versions_no_delete BEFORE DELETE ON register_versions
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER register_versions_no_truncate BEFORE TRUNCATE ON register_versions
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER register_versions_settled BEFORE UPDATE ON register_versions
    FOR EACH ROW WHEN (OLD.outcome IS NOT NULL) EXECUTE FUNCTION hissmark_append_only()""",
)
