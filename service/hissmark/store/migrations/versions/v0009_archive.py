"""Files of the long history, and legal holds."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "sealed_files",
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("group_name", sa.Text, primary_key=True),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("generation", sa.Integer, nullable=False),
        sa.Column("rows", sa.BigInteger, nullable=False),
        sa.Column("bytes", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("first_us", sa.BigInteger, nullable=False),
        sa.Column("last_us", sa.BigInteger, nullable=False),
        sa.Column("series", sa.Text, nullable=False),
        sa.Column("sealed_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "legal_holds",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("valve", sa.Text, nullable=True),
        sa.Column("from_us", sa.BigInteger, nullable=False),
        sa.Column("to_us", sa.BigInteger, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("placed_by", sa.Text, nullable=False),
        sa.Column("placed_us", sa.BigInteger, nullable=False),
        sa.Column("released_by", sa.Text, nullable=True),
        sa.Column("released_us", sa.BigInteger, nullable=True),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
