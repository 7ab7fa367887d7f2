"""Reports that were made, and letters: news that is no alarm, on its way to a receiver."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "letters",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("receiver", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("ref", sa.BigInteger, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
        sa.Column("due_us", sa.BigInteger, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("last_error", sa.Text, nullable=False),
        sa.Column("done_us", sa.BigInteger, nullable=True),
        sa.Column("outcome", sa.Text, nullable=True),
        sa.UniqueConstraint("receiver", "kind", "ref", name="letters_key"),
        sqlite_autoincrement=True,
    )
    op.create_index("letters_waiting", "letters", ["outcome", "due_us"])
    op.create_table(
        "reports",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("from_us", sa.BigInteger, nullable=False),
        sa.Column("to_us", sa.BigInteger, nullable=False),
        sa.Column("pdf", sa.LargeBinary, nullable=False),
        sa.Column("html", sa.LargeBinary, nullable=False),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
