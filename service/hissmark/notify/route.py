"""Which receiver is to be told of a journal entry, and when. Pure: decisions are values with a reason."""

from __future__ import annotations

from dataclasses import dataclass, field

from hissmark.alarms.journal import AlarmEvent, AlarmState
from hissmark.notify.quiet import QuietTimes
from hissmark.store.outbox import Planned
from hissmark.store.records import JournalRow

EVENT = "event"
UNACKNOWLEDGED = "unacknowledged"

SENT = "sent"
TOO_OLD = "not sent: too old"
SUPERSEDED = "not sent: something newer is told instead"
IN_TIME = "not sent: no longer stands unacknowledged"
NOT_ESCALATED = "not sent: it was never escalated to this receiver"


@dataclass(frozen=True)
class Route:
    """What one receiver is told of. Empty sets take all.

    Attributes:
        unacknowledged_us: escalation: how long an alarm has to stand unacknowledged; 0 for none.
        quiet_priorities: the priorities that quiet times hold back.
    """

    name: str
    priorities: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()
    alarms: frozenset[str] = frozenset()
    events: frozenset[str] = frozenset()
    quiet: QuietTimes = field(default_factory=QuietTimes)
    quiet_priorities: frozenset[str] = frozenset()
    unacknowledged_us: int = 0

    def concerns(self, priority: str, group: str, alarm: str) -> bool:
        """Whether alarms of this kind are this receiver's business."""
        pairs = ((self.priorities, priority), (self.groups, group), (self.alarms, alarm))
        return all(not wanted or given in wanted for wanted, given in pairs)

    def plan(self, row: JournalRow, now_us: int) -> Planned | None:
        """The outbox row for a journal entry; None if it is not told."""
        entry = row.entry
        if not self.concerns(entry.priority, entry.group, entry.alarm):
            return None
        kind, due_us = EVENT, now_us
        if self.unacknowledged_us and entry.state is AlarmState.UNACKNOWLEDGED:
            kind, due_us = UNACKNOWLEDGED, row.recorded_us + self.unacknowledged_us
        elif not self.unacknowledged_us and not self._tells(row):
            return None
        if entry.priority in self.quiet_priorities:
            due_us = self.quiet.ends_us(due_us)
        return Planned(self.name, row.seq, kind, now_us, due_us)

    def _tells(self, row: JournalRow) -> bool:
        if self.events:
            return row.entry.event in self.events
        return row.entry.state is AlarmState.UNACKNOWLEDGED or row.entry.event is AlarmEvent.CLEARED


@dataclass(frozen=True, slots=True)
class Known:
    """What the record says when a row is due.

    Attributes:
        newest_seq: the newest journal entry about the same alarm.
        last_told: kind of the last message about it that reached the receiver, None if there was none.
    """

    newest_seq: int
    last_told: str | None


def reason_not_to_send(
    route: Route, planned: Planned, row: JournalRow, known: Known, now_us: int, max_age_us: int
) -> str:
    """Why a row that is due is not sent after all; empty if it is."""
    held_back = planned.due_us > planned.created_us
    if planned.kind == UNACKNOWLEDGED:
        return IN_TIME if known.newest_seq != planned.seq else ""
    if route.unacknowledged_us:
        return "" if known.last_told == UNACKNOWLEDGED else NOT_ESCALATED
    if now_us - row.entry.at_us > max_age_us:
        return TOO_OLD
    return SUPERSEDED if held_back and known.newest_seq != planned.seq else ""
