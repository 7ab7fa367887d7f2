"""Who may: users, sessions, tokens, failed sign-ins, audit journal."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    _users()
    _keys()
    _records()
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE_TRIGGERS if on_sqlite else _POSTGRES_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


def _text(name: str, unique: bool | None = None) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, unique=unique)


def _time(name: str, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=null)


def _users() -> None:
    op.create_table(
        "users",
        sa.Column("name", sa.Text, primary_key=True),
        _text("role"),
        _text("password_hash"),
        _time("created_us"),
        _time("password_us"),
        _time("disabled_us", null=True),
    )


def _keys() -> None:
    op.create_table(
        "sessions",
        sa.Column("digest", sa.Text, primary_key=True),
        _text("user_name"),
        _time("created_us"),
        _time("seen_us"),
        _text("address"),
        sa.Index("sessions_by_user", "user_name"),
    )
    op.create_table(
        "tokens",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        _text("digest", unique=True),
        _text("user_name"),
        _text("label"),
        _text("role"),
        _time("created_us"),
        _time("expires_us"),
        _time("revoked_us", null=True),
        _time("used_us", null=True),
    )


def _records() -> None:
    op.create_table(
        "sign_in_failures",
        sa.Column("subject", sa.Text, primary_key=True),
        sa.Column("failures", sa.Integer, nullable=False),
        _time("last_us"),
        _time("until_us"),
    )
    op.create_table(
        "audit",
        sa.Column("seq", _BIG_KEY, primary_key=True, autoincrement=True),
        _time("at_us"),
        _text("who"),
        _text("address"),
        _text("event"),
        _text("detail"),
        sqlite_autoincrement=True,
    )


# BEFORE INSERT stops INSERT OR REPLACE. A number that the database gives itself is not known there yet.
_SQLITE_TRIGGERS = (
    """CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit
    BEGIN SELECT RAISE(ABORT, 'the audit journal is append-only'); END""",
    """CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit
    BEGIN SELECT RAISE(ABORT, 'the audit journal is append-only'); END""",
    """CREATE TRIGGER audit_no_replace BEFORE INSERT ON audit
    WHEN EXISTS (SELECT 1 FROM audit WHERE seq = NEW.seq)
    BEGIN SELECT RAISE(ABORT, 'the audit journal is append-only'); END""",
)

# The function came with the first tables.
_POSTGRES_TRIGGERS = (
    """CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE ON audit
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER audit_no_truncate BEFORE TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
)
