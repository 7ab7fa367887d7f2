"""What people ask for, put on record at once and answered when the worker has dealt with it."""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa

from hissmark.alarms.journal import ActionRequest
from hissmark.engine.change import Change
from hissmark.publish.times import rfc3339
from hissmark.store.actions import record_action
from hissmark.store.changes import record_change
from hissmark.store.journal import JournalFilter
from hissmark.store.notes import ShiftNote, add_note
from hissmark.store.outcomes import Row, outcome_of
from hissmark.store.reader import Reader
from hissmark.web.context import ActionOutcome

ANSWER_S = 5.0


class Acting:
    """Actions on alarms, changes of the computation, notes of the shift.

    Args:
        site: its name, for changes that concern all of it.
    """

    def __init__(self, store: sa.Engine, reader: Reader, now_us: Callable[[], int], site: str) -> None:
        self._store, self._reader, self._now_us, self._site = store, reader, now_us, site

    def act(self, request: ActionRequest) -> ActionOutcome:
        """Record an operator's action and wait until it is applied. Raises TimeoutError if it is not."""
        number = record_action(self._store, request, self._now_us())
        row = _settled(self._reader.action, number, "action")
        applied = row.applied_after_us is not None
        message = (
            f"{request.alarm} of {request.valve}: {request.kind} applied"
            if applied
            else f"{row.outcome}{self._who_was_first(request)}"
        )
        return ActionOutcome(applied, message, number, row.applied_after_us)

    def change(self, change: Change) -> ActionOutcome:
        """Record a change and wait until it is taken up. Raises TimeoutError if it is not."""
        number = record_change(self._store, change, self._now_us())
        row = _settled(self._reader.change, number, "change")
        applied = row.applied_after_us is not None
        message = f"{change.kind} of {change.subject or self._site}: applied" if applied else row.outcome
        return ActionOutcome(applied, message or "", number, row.applied_after_us)

    def write_note(self, author: str, text: str, valve: str | None) -> ShiftNote:
        """Put a note of the shift on record."""
        return add_note(self._store, author, text, valve, self._now_us())

    def _who_was_first(self, request: ActionRequest) -> str:
        """Of two who do the same at once, one is too late: told by whom and when it was done."""
        wanted = JournalFilter(valve=request.valve, alarm=request.alarm)
        newest = self._reader.journal(wanted, before_seq=2**62, limit=1)
        if not newest or not newest[0].entry.operator:
            return ""
        entry = newest[0].entry
        did = entry.event.value.replace("-", " ")
        return f" ({did} by {entry.operator}, {rfc3339(newest[0].recorded_us)})"


def _settled(read: Callable[[int], Row | None], number: int, what: str) -> Row:
    """The row once the service has dealt with it. Raises TimeoutError if that takes too long."""
    row = outcome_of(read, number, ANSWER_S)
    if row is None:
        raise TimeoutError(
            f"The {what} is on record and will be applied, but the service has not come to it yet."
        )
    return row
