"""Alarms as stretches of time, read from journal entries: raised then, gone then."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmKind, AlarmState, JournalEntry, Priority

STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
"""States in which the alarm's condition stands before the operator."""


@dataclass(frozen=True, slots=True)
class Episode:
    """One alarm before the operator without a break. `gone_us` None: it still stood at the end.

    `rise_db`, `margin_db`, `priority` as when it was raised; `seq` its number in the journal, 0 if it never
    was on record.
    """

    valve: str
    group: str
    alarm: AlarmKind
    raised_us: int
    gone_us: int | None
    priority: Priority
    rise_db: float | None
    margin_db: float | None
    seq: int = 0

    @property
    def key(self) -> tuple[str, AlarmKind]:
        """Which alarm it is."""
        return self.valve, self.alarm

    def meets(self, from_us: int, to_us: int) -> bool:
        """Whether it stood at some moment of [from_us, to_us)."""
        return self.raised_us < to_us and (self.gone_us is None or self.gone_us > from_us)


def episodes(
    entries: Iterable[tuple[int, JournalEntry]], from_us: int, to_us: int, kinds: frozenset[AlarmKind]
) -> list[Episode]:
    """Episodes raised in [from_us, to_us), by time.

    Args:
        entries: (seq, entry) in order of the journal; what lies before `from_us` tells what stood already.
    """
    open_: dict[tuple[str, AlarmKind], tuple[int, JournalEntry]] = {}
    found: list[Episode] = []
    for seq, entry in entries:
        if entry.alarm not in kinds or entry.at_us >= to_us:
            continue
        key, stands = (entry.valve, entry.alarm), entry.state in STANDING
        if stands and key not in open_:
            open_[key] = seq, entry
        elif not stands and key in open_:
            found.append(_episode(*open_.pop(key), entry.at_us))
    found += [_episode(seq, first, None) for seq, first in open_.values()]
    kept = [e for e in found if e.raised_us >= from_us]
    return sorted(kept, key=lambda e: (e.raised_us, e.group, e.valve, e.alarm))


def _episode(seq: int, first: JournalEntry, gone_us: int | None) -> Episode:
    return Episode(
        first.valve, first.group, first.alarm, first.at_us, gone_us, first.priority, first.rise_db,
        first.margin_db, seq,
    )  # fmt: skip
