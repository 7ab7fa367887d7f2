"""One round of the worker as one transaction, tried again while the store is away."""

from __future__ import annotations

import structlog

from hissmark.daemon.filling import late_marks
from hissmark.daemon.record import changes_of
from hissmark.daemon.work import Parts, Stopping, Work
from hissmark.publish.live import LiveState
from hissmark.publish.pulse import STORING
from hissmark.store.errors import StoreError
from hissmark.store.records import JournalRow, VerdictChange
from hissmark.store.writer import Transaction

log = structlog.get_logger("hissmark.daemon")

LONGEST_RETRY_S = 5.0


class StoreTrouble:
    """Says on pages and in the log that the store is away, or that it is back."""

    def __init__(self, live: LiveState) -> None:
        self._live = live
        self._said = ""

    def say(self, trouble: str) -> None:
        """What is wrong; empty if all is well."""
        if trouble == self._said:
            return
        news, self._said = bool(trouble) != bool(self._said), trouble
        self._live.report(trouble=trouble)
        if not news:  # the same in other words
            return
        if trouble:
            log.warning("the store is away; trying again, nothing is acknowledged meanwhile", reason=trouble)
        else:
            log.info("the store is back")


def commit(parts: Parts, work: Work, trouble: StoreTrouble, stopping: Stopping) -> list[JournalRow] | None:
    """Write one round; tries again while that may succeed later. None: told to stop first.

    Returns the journal entries that are new. Raises StoreError if trying again cannot help.
    """
    delay_s = 0.1
    changes = [change for tick in work.ticks for change in changes_of(tick, parts.engine.layout)]
    while True:
        try:
            new, rows = _write(parts, work, changes)
        except StoreError as error:
            if not error.retry:
                raise
            trouble.say(str(error))
            if stopping.wait(delay_s):
                return None
            delay_s = min(2 * delay_s, LONGEST_RETRY_S)
            continue
        parts.metrics.samples.inc(new)
        parts.metrics.duplicates.inc(len(work.batch) - new)
        trouble.say("")
        parts.live.report(last_commit_us=parts.clock.now_us())
        return rows


def _write(parts: Parts, work: Work, changes: list[VerdictChange]) -> tuple[int, list[JournalRow]]:
    """The transaction: how many samples were new, and which journal entries."""
    late = late_marks(work.batch, parts.engine.layout)
    with parts.live.pulse.during(STORING), parts.writer.transaction() as tx:
        new = tx.samples(work.batch)
        _turned_away(tx, work)
        rows = tx.journal(work.entries) if work.entries else []
        if changes:
            tx.verdict_changes(changes)
        for change in work.found:
            tx.change(change)
        for action_id, at_us, outcome in work.outcomes:
            tx.action_applied(action_id, at_us, outcome)
        if late and new:  # what was only delivered again has been judged
            tx.late(late)
    return new, rows


def _turned_away(tx: Transaction, work: Work) -> None:
    if work.decoded is not None and work.decoded.rejects:
        tx.rejects(work.decoded.rejects)
    if work.decoded is not None and work.decoded.unknown:
        tx.unknown(work.decoded.unknown)
