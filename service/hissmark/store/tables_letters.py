"""Tables of reports that were made, and of letters: news that is no alarm, on its way to a receiver."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

# `outcome` is NULL while it waits. `ref`: number of the repair or report it is about.
letters = sa.Table(
    "letters",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("receiver", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("ref", sa.BigInteger, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("due_us", sa.BigInteger, nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False),
    sa.Column("last_error", sa.Text, nullable=False),
    sa.Column("done_us", sa.BigInteger),
    sa.Column("outcome", sa.Text),
    sa.UniqueConstraint("receiver", "kind", "ref", name="letters_key"),
    sa.Index("letters_waiting", "outcome", "due_us"),
    sqlite_autoincrement=True,
)

# Bounded: the oldest go first.
reports = sa.Table(
    "reports",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("from_us", sa.BigInteger, nullable=False),
    sa.Column("to_us", sa.BigInteger, nullable=False),
    sa.Column("pdf", sa.LargeBinary, nullable=False),
    sa.Column("html", sa.LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)
