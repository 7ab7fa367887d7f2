"""Tables of what came after its time (see backfill.py)."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

# Groups that are to be judged again, and from when on.
backfill_marks = sa.Table(
    "backfill_marks",
    metadata,
    sa.Column("group_name", sa.Text, primary_key=True),
    sa.Column("from_us", sa.BigInteger, nullable=False),
    sa.Column("to_us", sa.BigInteger, nullable=False),
    sa.Column("samples", sa.BigInteger, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
)

# What was judged again: levels and verdicts of the group in this time may differ from what was told before.
backfills = sa.Table(
    "backfills",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("group_name", sa.Text, nullable=False),
    sa.Column("from_us", sa.BigInteger, nullable=False),
    sa.Column("to_us", sa.BigInteger, nullable=False),
    sa.Column("samples", sa.BigInteger, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
    sa.Column("done_us", sa.BigInteger, nullable=False),
    sa.Column("ticks", sa.BigInteger, nullable=False),
    sa.Column("verdicts", sa.BigInteger, nullable=False),
    sa.Column("entries", sa.BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

# Journal entries that were only found in a back-fill: on record as such, never annunciated as new.
found_later = sa.Table(
    "found_later",
    metadata,
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("origin", sa.Text, nullable=False),
)

# The engine's state of past days, compressed, so that judging again need not begin with the first sample.
engine_checkpoints = sa.Table(
    "engine_checkpoints",
    metadata,
    sa.Column("saved_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("ticks", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)
