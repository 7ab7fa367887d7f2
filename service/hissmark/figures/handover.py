"""Shift handover: what stood, came, went, was put aside, and by whom."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmEvent, AlarmState
from hissmark.figures.annunciations import Before, Key, annunciated, key_of
from hissmark.publish.sentences import journal_sentence
from hissmark.publish.times import rfc3339
from hissmark.store.notes import ShiftNote
from hissmark.store.records import JournalRow

_ASIDE = (AlarmEvent.SHELVED, AlarmEvent.OUT_OF_SERVICE, AlarmEvent.SUPPRESSED)
_BACK = (
    AlarmEvent.UNSHELVED, AlarmEvent.SHELF_EXPIRED, AlarmEvent.RETURNED_TO_SERVICE, AlarmEvent.UNSUPPRESSED,
)  # fmt: skip


@dataclass(frozen=True)
class Handover:
    """One shift. Lists of journal entries, oldest first; `stood` and `stand` hold the last of each alarm."""

    stood: tuple[JournalRow, ...]
    came: tuple[JournalRow, ...]
    went: tuple[JournalRow, ...]
    acknowledged: tuple[JournalRow, ...]
    put_aside: tuple[JournalRow, ...]
    came_back: tuple[JournalRow, ...]
    stand: tuple[JournalRow, ...]


def handover_of(before: Iterable[Before], rows: Sequence[JournalRow]) -> Handover:
    """Sort the entries of a shift (in order of `seq`) by what they mean to the next one."""
    at_start: dict[Key, JournalRow] = {key_of(b.last): b.last for b in before}
    at_end = dict(at_start)
    for row in rows:
        at_end[key_of(row)] = row
    return Handover(
        _not_at_rest(at_start),
        tuple(annunciated(rows)),
        _with(rows, (AlarmEvent.CLEARED,)),
        _with(rows, (AlarmEvent.ACKNOWLEDGED,)),
        _with(rows, _ASIDE),
        _with(rows, _BACK),
        _not_at_rest(at_end),
    )


def _with(rows: Iterable[JournalRow], events: Sequence[AlarmEvent]) -> tuple[JournalRow, ...]:
    found = [row for row in rows if row.entry.event in events]
    return tuple(sorted(found, key=lambda row: (row.entry.at_us, row.seq)))


def _not_at_rest(last: dict[Key, JournalRow]) -> tuple[JournalRow, ...]:
    found = [row for row in last.values() if row.entry.state is not AlarmState.NORMAL]
    return tuple(sorted(found, key=lambda row: (row.entry.at_us, row.seq)))


_PARTS = (
    ("Stood when the shift began", "stood"), ("Came", "came"), ("Went", "went"),
    ("Acknowledged", "acknowledged"), ("Put aside", "put_aside"), ("Came back", "came_back"),
    ("Stand now", "stand"),
)  # fmt: skip
MOST_LINES = 50


def as_text(shift: Handover, notes: Sequence[ShiftNote], from_us: int, to_us: int) -> str:
    """The shift on paper: short lines that go into any log. Times are UTC."""
    lines = [f"Shift from {rfc3339(from_us)} to {rfc3339(to_us)}"]
    for title, name in _PARTS:
        rows: tuple[JournalRow, ...] = getattr(shift, name)
        lines += ["", f"{title}: {len(rows) or 'none'}"]
        lines += [f"  {_line(row, name)}" for row in rows[:MOST_LINES]]
        if len(rows) > MOST_LINES:
            lines.append(f"  and {len(rows) - MOST_LINES} more")
    lines += ["", f"Notes: {len(notes) or 'none'}"]
    lines += [
        f"  {rfc3339(n.at_us)[11:16]} {n.author}{f', {n.valve}' if n.valve else ''}: {n.text}" for n in notes
    ]
    return "\n".join(lines)


def _line(row: JournalRow, part: str) -> str:
    entry = row.entry
    when = rfc3339(entry.at_us)[:16].replace("T", " ")
    if part in ("stood", "stand"):
        what = f"{entry.valve}: {entry.alarm.value.replace('-', ' ')}, {entry.state.value.replace('-', ' ')}"
        return f"{when}  {what} ({entry.priority} priority)"
    return f"{when}  {journal_sentence(entry)}"
