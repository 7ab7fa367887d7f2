"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    _samples()
    _turned_away()
    _journal()
    _judgement()
    _actions()
    _rest()
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE_TRIGGERS if on_sqlite else _POSTGRES_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


def _text(name: str, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=null)


def _time(name: str, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=null)


def _db(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Double, nullable=True)


def _samples() -> None:
    op.create_table(
        "series",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        _text("kind"),
        _time("first_seen_us"),
    )
    op.create_table(
        "samples",
        sa.Column("time_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("series_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.Column("flags", sa.SmallInteger, nullable=False),
        sqlite_with_rowid=False,
    )


def _turned_away() -> None:
    op.create_table(
        "rejects",
        sa.Column("seq", _BIG_KEY, primary_key=True, autoincrement=True),
        _time("received_us"),
        _text("topic"),
        _text("reason"),
        _text("detail"),
        sa.Column("head", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "unknown_names",
        sa.Column("name", sa.Text, primary_key=True),
        _text("topic"),
        _time("first_seen_us"),
        _time("last_seen_us"),
        _time("count"),
        sa.Column("last_value", sa.Double),
    )


def _journal() -> None:
    op.create_table(
        "journal",
        sa.Column("seq", _BIG_KEY, primary_key=True, autoincrement=False),
        _time("at_us"),
        _time("recorded_us"),
        _text("valve"),
        _text("group_name"),
        _text("alarm"),
        _text("event"),
        _text("state"),
        _text("priority"),
        _db("rise_db"),
        _db("margin_db"),
        _text("reason"),
        _text("operator"),
        _text("comment"),
        _time("action_id"),
        sa.UniqueConstraint("at_us", "valve", "alarm", "event", "action_id", name="journal_key"),
    )
    op.create_index("journal_by_valve", "journal", ["valve", "seq"])


def _judgement() -> None:
    op.create_table(
        "verdict_changes",
        sa.Column("seq", _BIG_KEY, primary_key=True, autoincrement=True),
        _text("valve"),
        _time("at_us"),
        _text("verdict"),
        _text("reason"),
        _text("source", null=True),
        _db("rise_db"),
        _db("margin_db"),
        _db("level_db"),
        _db("baseline_db"),
        sa.UniqueConstraint("valve", "at_us", name="verdict_changes_key"),
    )
    op.create_table(
        "tick_blocks",
        sa.Column("group_name", sa.Text, primary_key=True),
        sa.Column("start_us", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("ticks", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "readings",
        sa.Column("group_name", sa.Text, primary_key=True),
        _time("at_us"),
        _text("payload"),
    )


def _actions() -> None:
    op.create_table(
        "actions",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        _time("requested_us"),
        _text("operator"),
        _text("action"),
        _text("valve"),
        _text("alarm"),
        _text("comment"),
        _time("until_us", null=True),
        _time("applied_after_us", null=True),
        _text("outcome", null=True),
        sqlite_autoincrement=True,
    )
    op.create_index("actions_by_outcome", "actions", ["outcome", "id"])


def _rest() -> None:
    op.create_table(
        "engine_state",
        sa.Column("shard", sa.Text, primary_key=True),
        _time("saved_us"),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "settings_versions",
        sa.Column("id", _BIG_KEY, primary_key=True, autoincrement=True),
        _time("recorded_us"),
        _text("digest"),
        _text("payload"),
    )
    op.create_table(
        "meta",
        sa.Column("key", sa.Text, primary_key=True),
        _text("value"),
    )


# The BEFORE INSERT trigger stops INSERT OR REPLACE, which removes the old row without firing DELETE triggers.
_SQLITE_TRIGGERS = (
    """CREATE TRIGGER journal_no_update BEFORE UPDATE ON journal
    BEGIN SELECT RAISE(ABORT, 'the alarm journal is append-only'); END""",
    """CREATE TRIGGER journal_no_delete BEFORE DELETE ON journal
    BEGIN SELECT RAISE(ABORT, 'the alarm journal is append-only'); END""",
    """CREATE TRIGGER journal_no_replace BEFORE INSERT ON journal
    WHEN NEW.seq <= (SELECT max(seq) FROM journal) OR EXISTS (
        SELECT 1 FROM journal WHERE at_us = NEW.at_us AND valve = NEW.valve AND alarm = NEW.alarm
        AND event = NEW.event AND action_id = NEW.action_id)
    BEGIN SELECT RAISE(ABORT, 'the alarm journal is append-only'); END""",
    """CREATE TRIGGER actions_no_delete BEFORE DELETE ON actions
    BEGIN SELECT RAISE(ABORT, 'actions are append-only'); END""",
    """CREATE TRIGGER actions_settled BEFORE UPDATE ON actions WHEN OLD.outcome IS NOT NULL
    BEGIN SELECT RAISE(ABORT, 'actions are append-only once they have an outcome'); END""",
)

_POSTGRES_TRIGGERS = (
    """CREATE FUNCTION hissmark_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$""",
    """CREATE TRIGGER journal_append_only BEFORE UPDATE OR DELETE ON journal
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER journal_no_truncate BEFORE TRUNCATE ON journal
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER actions_no_delete BEFORE DELETE ON actions
    FOR EACH ROW EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER actions_no_truncate BEFORE TRUNCATE ON actions
    FOR EACH STATEMENT EXECUTE FUNCTION hissmark_append_only()""",
    """CREATE TRIGGER actions_settled BEFORE UPDATE ON actions
    FOR EACH ROW WHEN (OLD.outcome IS NOT NULL) EXECUTE FUNCTION hissmark_append_only()""",
)
