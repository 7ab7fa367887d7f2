"""The journal of a replay as JSON lines, with the field names of a live journal.

`recorded_at` is null: nobody recorded these entries when they happened. `seq` counts from 1 in canonical
order: time, then group in the order of the register. To compare with a live journal, drop `seq` and
`recorded_at` from both and sort by `at` and `group`: what is left is equal, operator actions aside.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from hissmark.alarms.journal import JournalEntry
from hissmark.publish.alarm_shapes import journal_shape
from hissmark.store.records import JournalRow


def lines(entries: Iterable[JournalEntry]) -> Iterator[bytes]:
    """One JSON object a line, without line ends."""
    for seq, entry in enumerate(entries, start=1):
        shape = {**journal_shape(JournalRow(seq, entry.at_us, entry)), "recorded_at": None}
        yield msgspec.json.encode(shape)


def write(entries: Iterable[JournalEntry], out: Path) -> int:
    """Write the journal whole or not at all; returns the number of entries."""
    out.parent.mkdir(parents=True, exist_ok=True)
    draft = out.with_name(out.name + ".part")
    count = 0
    with draft.open("wb") as file:
        for line in lines(entries):
            file.write(line + b"\n")
            count += 1
    os.replace(draft, out)
    return count
