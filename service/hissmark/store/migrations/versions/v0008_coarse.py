"""The coarse history. Every hour of ticks on record becomes due: housekeeping sums them up bit by bit."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

MARK = """INSERT INTO hours_due (group_name, start_us)
SELECT DISTINCT group_name, start_us / 3600000000 * 3600000000 FROM tick_blocks"""


def upgrade() -> None:
    op.create_table(
        "coarse_blocks",
        sa.Column("group_name", sa.Text, primary_key=True),
        sa.Column("every_s", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "hours_due",
        sa.Column("group_name", sa.Text, primary_key=True),
        sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sqlite_with_rowid=False,
    )
    op.execute(MARK)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
