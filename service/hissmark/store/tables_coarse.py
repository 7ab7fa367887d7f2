"""Tables of the coarse history: what every hour and every day of ticks came to (see coarse.py)."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import metadata

# One compressed block per group and span of hours or days; `every_s` tells which.
coarse_blocks = sa.Table(
    "coarse_blocks",
    metadata,
    sa.Column("group_name", sa.Text, primary_key=True),
    sa.Column("every_s", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)

# Hours with ticks that are not summed up yet, or have had more since.
hours_due = sa.Table(
    "hours_due",
    metadata,
    sa.Column("group_name", sa.Text, primary_key=True),
    sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)
