"""Operator actions: recorded by any process, applied by the service, on record for good."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.store import open_for_actions
from hissmark.store.actions import record_action

T0 = 1_700_000_000_000_000
SHELVE = ActionRequest(ActionKind.SHELVE, "XV-1", AlarmKind.PASSING, "mia", "noisy pump", T0 + 3600)
ACKNOWLEDGE = ActionRequest(ActionKind.ACKNOWLEDGE, "XV-2", AlarmKind.CONTESTED, "jon")


def test_recorded_beside_the_running_writer_and_consumed(store):
    """The command line records an action while the service holds the store; the service finds it."""
    writer = store.writer()
    engine = open_for_actions(store.url, store.folder)
    first, second = record_action(engine, SHELVE, T0), record_action(engine, ACKNOWLEDGE, T0 + 1)
    engine.dispose()
    with writer.transaction() as tx:
        rows = tx.pending_actions()
        assert [(row.id, row.request) for row in rows] == [(first, SHELVE), (second, ACKNOWLEDGE)]
        tx.action_applied(first, T0 + 60, "applied")
        tx.action_applied(second, None, "there is no such alarm")
    with writer.transaction() as tx:
        assert tx.pending_actions() == []
    reader = store.reader()
    applied, refused = reader.action(first), reader.action(second)
    assert applied is not None
    assert refused is not None
    assert (applied.applied_after_us, applied.outcome, applied.requested_us) == (T0 + 60, "applied", T0)
    assert (refused.applied_after_us, refused.outcome) == (None, "there is no such alarm")
    assert reader.action(999) is None
    assert [row.id for row in reader.actions()] == [second, first]
    assert [row.id for row in reader.actions(before_id=second)] == [first]


def test_an_outcome_stays(store):
    writer = store.writer()
    action_id = record_action(store.engine(), SHELVE, T0)
    for outcome in ("applied", "again"):
        with writer.transaction() as tx:
            tx.action_applied(action_id, T0, outcome)
    row = store.reader().action(action_id)
    assert row is not None
    assert row.outcome == "applied"


@pytest.mark.parametrize("statement", ["DELETE FROM actions", "UPDATE actions SET operator = 'nobody'"])
def test_settled_actions_cannot_be_changed(store, statement):
    """The database itself refuses."""
    engine = store.engine()
    action_id = record_action(engine, SHELVE, T0)
    with store.writer().transaction() as tx:
        tx.action_applied(action_id, T0, "applied")
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), engine.begin() as connection:
        connection.exec_driver_sql(statement)
