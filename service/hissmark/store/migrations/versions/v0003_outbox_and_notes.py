"""The outbox of notifications, and the notes of the shifts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("receiver", sa.Text, nullable=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
        sa.Column("due_us", sa.BigInteger, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("last_error", sa.Text, nullable=False),
        sa.Column("done_us", sa.BigInteger, nullable=True),
        sa.Column("outcome", sa.Text, nullable=True),
        sa.UniqueConstraint("receiver", "seq", "kind", name="outbox_key"),
    )
    op.create_index("outbox_waiting", "outbox", ["receiver", "outcome", "due_us"])
    op.create_table(
        "shift_notes",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("valve", sa.Text, nullable=True),
        sa.Column("text", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("shift_notes_by_time", "shift_notes", ["at_us"])
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE_TRIGGERS if on_sqlite else _POSTGRES_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


_SQLITE_TRIGGERS = (
    """CREATE TRIGGER shift_notes_no_update BEFORE UPDATE ON shift_notes
    BEGIN SELECT RAISE(ABORT, 'shift notes are append-only'); END""",
    """CREATE TRIGGER shift_notes_no_delete BEFORE DELETE ON shift_notes
    BEGIN SELECT RAISE(ABORT, 'shift notes are append-only'); END""",
)

_POSTGRES_TRIGGERS = (
    """CREATE TRIGGER shift_notes_append_only BEFORE UPDATE OR DELETE ON shift_notes
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER shift_notes_no_truncate BEFORE TRUNCATE ON shift_notes
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
)
