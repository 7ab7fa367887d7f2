"""Tables of the long history: what has been sealed into files, and what must not be deleted."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

# One row for every file of the archive (see archive/). The row is written after the file is in its place and
# before anything it holds is deleted here, so that every sample is always in at least one of the two.
# `series` lists the ids in the file as ",3,7,12,".
sealed_files = sa.Table(
    "sealed_files",
    metadata,
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

# What is held is not deleted, however old. `valve` NULL: everything of the period.
legal_holds = sa.Table(
    "legal_holds",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("valve", sa.Text),
    sa.Column("from_us", sa.BigInteger, nullable=False),
    sa.Column("to_us", sa.BigInteger, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("placed_by", sa.Text, nullable=False),
    sa.Column("placed_us", sa.BigInteger, nullable=False),
    sa.Column("released_by", sa.Text),
    sa.Column("released_us", sa.BigInteger),
    sqlite_autoincrement=True,
)
