"""Alarms that were raised in a period, from the journal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from hissmark.alarms.journal import AlarmKind, JournalEntry
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow
from hissmark.tune.episodes import Episode, episodes

KINDS = frozenset(AlarmKind)
PAGE = 1000


def happened(reader: Reader, groups: Iterable[str | None], from_us: int, to_us: int) -> list[Episode]:
    """Alarms of the groups (None: of all) that were raised in [from_us, to_us), by time."""
    entries: list[tuple[int, JournalEntry]] = []
    for group in groups:
        before = sorted(reader.journal_before(from_us, group=group), key=lambda row: row[0].seq)
        entries += [(row.seq, row.entry) for row, _ in before]
        wanted = JournalFilter(group=group, from_us=from_us, to_us=to_us)
        entries += [(row.seq, row.entry) for row in _pages(reader, wanted)]
    return episodes(entries, from_us, to_us, KINDS)


def _pages(reader: Reader, wanted: JournalFilter) -> Iterator[JournalRow]:
    after = 0
    while page := reader.journal(wanted, after_seq=after, limit=PAGE):
        yield from page
        after = page[-1].seq
