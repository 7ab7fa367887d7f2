"""Versions of the register."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

# Every register that somebody put in force or wanted to. On record for good, like `actions`. JSON:
# `applied_after` holds the last tick of each group under the register before, `left_behind` what channels
# that left their place had learned there.
register_versions = sa.Table(
    "register_versions",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("operator", sa.Text, nullable=False),
    sa.Column("comment", sa.Text, nullable=False),
    sa.Column("how", sa.Text, nullable=False),
    sa.Column("base_id", sa.BigInteger),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("applied_us", sa.BigInteger),
    sa.Column("applied_after", sa.Text),
    sa.Column("left_behind", sa.Text),
    sa.Column("outcome", sa.Text),
    sa.Index("register_versions_by_outcome", "outcome", "id"),
    sqlite_autoincrement=True,
)
