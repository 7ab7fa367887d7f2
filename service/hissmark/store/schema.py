"""The tables. `migrations/` creates them; a test keeps the two equal.

Times are int64 microseconds since 1970 UTC, levels dB. Recent samples are keyed by time first: rows then
arrive nearly in key order, which is what keeps inserting fast however large the table grows.
"""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData()

#: A 64-bit key that the database numbers itself; SQLite does that for INTEGER only (64 bits as well).
BigKey = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


series = sa.Table(
    "series",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("first_seen_us", sa.BigInteger, nullable=False),
)

# No foreign key to `series`: the writer inserts only ids it has registered itself, and checking one
# per row is the dearest part of an insert on PostgreSQL. There it has a part for each day (`partitions.py`).
samples = sa.Table(
    "samples",
    metadata,
    sa.Column("time_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("series_id", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("value", sa.Double, nullable=False),
    sa.Column("flags", sa.SmallInteger, nullable=False),
    sqlite_with_rowid=False,
    postgresql_partition_by="RANGE (time_us)",
)

rejects = sa.Table(
    "rejects",
    metadata,
    sa.Column("seq", BigKey, primary_key=True, autoincrement=True),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    sa.Column("topic", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("detail", sa.Text, nullable=False),
    sa.Column("head", sa.LargeBinary, nullable=False),
)

unknown_names = sa.Table(
    "unknown_names",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("topic", sa.Text, nullable=False),
    sa.Column("first_seen_us", sa.BigInteger, nullable=False),
    sa.Column("last_seen_us", sa.BigInteger, nullable=False),
    sa.Column("count", sa.BigInteger, nullable=False),
    sa.Column("last_value", sa.Double),
)

# Append-only: triggers refuse UPDATE, DELETE and TRUNCATE. `seq` has no gaps (the writer counts).
journal = sa.Table(
    "journal",
    metadata,
    sa.Column("seq", BigKey, primary_key=True, autoincrement=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("valve", sa.Text, nullable=False),
    sa.Column("group_name", sa.Text, nullable=False),
    sa.Column("alarm", sa.Text, nullable=False),
    sa.Column("event", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("priority", sa.Text, nullable=False),
    sa.Column("rise_db", sa.Double),
    sa.Column("margin_db", sa.Double),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("operator", sa.Text, nullable=False),
    sa.Column("comment", sa.Text, nullable=False),
    sa.Column("action_id", sa.BigInteger, nullable=False),
    sa.UniqueConstraint("at_us", "valve", "alarm", "event", "action_id", name="journal_key"),
    sa.Index("journal_by_valve", "valve", "seq"),
)

verdict_changes = sa.Table(
    "verdict_changes",
    metadata,
    sa.Column("seq", BigKey, primary_key=True, autoincrement=True),
    sa.Column("valve", sa.Text, nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("source", sa.Text),
    sa.Column("rise_db", sa.Double),
    sa.Column("margin_db", sa.Double),
    sa.Column("level_db", sa.Double),
    sa.Column("baseline_db", sa.Double),
    sa.UniqueConstraint("valve", "at_us", name="verdict_changes_key"),
)

# One compressed block per group and hour (see blocks.py): the history of valves, never a row per tick.
tick_blocks = sa.Table(
    "tick_blocks",
    metadata,
    sa.Column("group_name", sa.Text, primary_key=True),
    sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("ticks", sa.Integer, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)

readings = sa.Table(
    "readings",
    metadata,
    sa.Column("group_name", sa.Text, primary_key=True),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("payload", sa.Text, nullable=False),
)

engine_state = sa.Table(
    "engine_state",
    metadata,
    sa.Column("shard", sa.Text, primary_key=True),
    sa.Column("saved_us", sa.BigInteger, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)

# What people asked for: actions on alarms, and changes (`alarm` empty, `payload` JSON text). On record for
# good: triggers refuse DELETE, and UPDATE once there is an outcome.
actions = sa.Table(
    "actions",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("requested_us", sa.BigInteger, nullable=False),
    sa.Column("operator", sa.Text, nullable=False),
    sa.Column("action", sa.Text, nullable=False),
    sa.Column("valve", sa.Text, nullable=False),
    sa.Column("alarm", sa.Text, nullable=False),
    sa.Column("comment", sa.Text, nullable=False),
    sa.Column("until_us", sa.BigInteger),
    sa.Column("applied_after_us", sa.BigInteger),
    sa.Column("outcome", sa.Text),
    sa.Column("payload", sa.Text),
    sa.Index("actions_by_outcome", "outcome", "id"),
    sa.Index("actions_by_kind", "action", "id"),
    sqlite_autoincrement=True,
)

# Who is to be told of which journal entry, and what became of it. `outcome` is NULL while it waits.
outbox = sa.Table(
    "outbox",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("receiver", sa.Text, nullable=False),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("due_us", sa.BigInteger, nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False),
    sa.Column("last_error", sa.Text, nullable=False),
    sa.Column("done_us", sa.BigInteger),
    sa.Column("outcome", sa.Text),
    sa.UniqueConstraint("receiver", "seq", "kind", name="outbox_key"),
    sa.Index("outbox_waiting", "receiver", "outcome", "due_us"),
)

# What operators leave to the next shift. Append-only.
shift_notes = sa.Table(
    "shift_notes",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("author", sa.Text, nullable=False),
    sa.Column("valve", sa.Text),
    sa.Column("text", sa.Text, nullable=False),
    sa.Index("shift_notes_by_time", "at_us"),
    sqlite_autoincrement=True,
)

# Every version of the settings and register that judged anything, so that an answer can be explained later.
settings_versions = sa.Table(
    "settings_versions",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("payload", sa.Text, nullable=False),
)

meta = sa.Table(
    "meta",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

# Who may use pages and API. Passwords are argon2id hashes, sessions and tokens the SHA-256 of their secret.
users = sa.Table(
    "users",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("password_hash", sa.Text, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("password_us", sa.BigInteger, nullable=False),
    sa.Column("disabled_us", sa.BigInteger),
)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("user_name", sa.Text, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("seen_us", sa.BigInteger, nullable=False),
    sa.Column("address", sa.Text, nullable=False),
    sa.Index("sessions_by_user", "user_name"),
)

tokens = sa.Table(
    "tokens",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("digest", sa.Text, nullable=False, unique=True),
    sa.Column("user_name", sa.Text, nullable=False),
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("revoked_us", sa.BigInteger),
    sa.Column("used_us", sa.BigInteger),
)

sign_in_failures = sa.Table(
    "sign_in_failures",
    metadata,
    sa.Column("subject", sa.Text, primary_key=True),
    sa.Column("failures", sa.Integer, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    sa.Column("until_us", sa.BigInteger, nullable=False),
)

# Append-only like the journal.
audit = sa.Table(
    "audit",
    metadata,
    sa.Column("seq", BigKey, primary_key=True, autoincrement=True),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("address", sa.Text, nullable=False),
    sa.Column("event", sa.Text, nullable=False),
    sa.Column("detail", sa.Text, nullable=False),
    sqlite_autoincrement=True,
)

# Tables of a subject in files of their own; importing them makes them part of `metadata`.
from hissmark.store import (  # noqa: E402
    tables_archive,  # noqa: F401
    tables_arrivals,  # noqa: F401
    tables_backfill,  # noqa: F401
    tables_coarse,  # noqa: F401
    tables_letters,  # noqa: F401
    tables_register,  # noqa: F401
    tables_repairs,  # noqa: F401
    tables_worth,  # noqa: F401
)
