"""Table of what arrived (see arrivals.py)."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

arrivals = sa.Table(
    "arrivals",
    metadata,
    sa.Column("seq", BigKey, primary_key=True, autoincrement=True),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("samples", sa.Integer, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)
