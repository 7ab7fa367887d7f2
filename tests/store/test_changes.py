"""Changes to the computation: on record like actions, told apart from them, kept by an upgrade."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import command

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.engine.change import ChangeKind, Level, losses_reset, repair_done, settings_change
from hissmark.store import open as opening
from hissmark.store import open_for_actions
from hissmark.store.actions import record_action
from hissmark.store.changes import record_change
from hissmark.store.schema import actions, meta

T0 = 1_700_000_000_000_000
LIMIT = settings_change(Level.VALVE, "XV-1", {"rise_limit_db": 8.5, "margin_db": None}, "mia", "noisy pump")
REPAIR = repair_done("XV-1", T0, "jon", "new seat", {"work": "seat replaced"})
SEEN = ActionRequest(ActionKind.ACKNOWLEDGE, "XV-2", AlarmKind.PASSING, "jon")


def test_recorded_beside_the_running_writer_taken_up_in_order_and_read_back(store):
    writer = store.writer()
    engine = open_for_actions(store.url, store.folder)
    first = record_change(engine, LIMIT, T0)
    action = record_action(engine, SEEN, T0 + 1)
    second = record_change(engine, REPAIR, T0 + 2)
    engine.dispose()
    with writer.transaction() as tx:
        assert [row.id for row in tx.pending_actions()] == [first, action, second]
        tx.action_applied(first, T0 + 60, "applied")
        tx.action_applied(second, None, "there is no such valve")
    reader = store.reader()
    applied, refused = reader.change(first), reader.change(second)
    assert applied is not None
    assert refused is not None
    assert (applied.change.payload, applied.change.subject) == (LIMIT.payload, "XV-1")
    assert (applied.change.id, applied.change.effective_us, applied.outcome) == (first, T0 + 60, "applied")
    assert (refused.applied_after_us, refused.outcome) == (None, "there is no such valve")
    assert refused.change.payload == {"at_us": T0, "details": {"work": "seat replaced"}}
    assert reader.change(action) is None
    assert reader.action(first) is None
    assert [row.id for row in reader.actions()] == [action]
    assert [row.id for row in reader.changes()] == [first, second]
    assert [row.id for row in reader.changes(before_id=2**62)] == [second, first]
    assert [row.id for row in reader.changes(kind=ChangeKind.REPAIR, subject="XV-1")] == [second]
    assert [row.id for row in reader.changes_after(first, page_rows=1)] == [second]


def test_losses_reset_before_the_upgrade_stay_on_record(sqlite_store, monkeypatch):
    """They were notes of the service; those done are not done again, those asked for still are."""
    upgrade = command.upgrade
    monkeypatch.setattr(command, "upgrade", lambda config, _: upgrade(config, "0006"))
    old = opening.open_store(sqlite_store.url, sqlite_store.folder)
    rows = [
        ("done", {"group": "header", "operator": "Ada", "comment": "", "asked_us": T0, "applied_us": T0 + 5}),
        (
            "asked",
            {"group": "b", "operator": "Ben", "comment": "pipe", "asked_us": T0 + 9},
        ),
    ]
    with old.begin() as connection:
        connection.exec_driver_sql("SELECT 1")
        for what, value in rows:
            key = f"losses-reset {what} {value['asked_us']:016d} {value['group']}"
            connection.execute(sa.insert(meta).values(key=key, value=json.dumps(value)))
    old.dispose()
    monkeypatch.undo()
    engine = sqlite_store.engine()
    reader = sqlite_store.reader()
    done, asked = reader.changes(kind=ChangeKind.LOSSES_RESET)
    assert (done.change.subject, done.change.operator) == ("header", "Ada")
    assert (done.outcome, done.applied_after_us) == ("applied", None)
    assert asked.outcome is None
    wanted = losses_reset("b", "Ben", "pipe")
    assert (asked.change.kind, asked.change.subject, asked.change.reason) == (wanted.kind, "b", "pipe")
    with engine.connect() as connection:
        assert not connection.execute(sa.select(meta).where(meta.c.key.startswith("losses"))).all()
        assert len(connection.execute(sa.select(actions)).all()) == 2
