"""What somebody wants to have, and the stream of record batches that is it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.engine.layout import Layout
from hissmark.export import records, samples
from hissmark.export.even import EVEN, GAP_US, Grid, How, even_batches
from hissmark.publish.times import rfc3339
from hissmark.store.archive.catalogue import Kind
from hissmark.store.archive.rollup import PLAIN_MEAN
from hissmark.store.reader import Reader


class What(StrEnum):
    """What the rows are."""

    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"
    EVEN = "even"
    JOURNAL = "journal"
    VERDICTS = "verdicts"


class UnknownSubjectError(ValueError):
    """Something was asked for that the register does not have."""


@dataclass(frozen=True, slots=True)
class Question:
    """Rows with from_us <= time < to_us of some names; `every_us`, `how`, `gap_us` for `What.EVEN`."""

    what: What
    names: Sequence[str]
    from_us: int
    to_us: int
    every_us: int = 60_000_000
    how: How = How.LAST
    gap_us: int = GAP_US


@dataclass(frozen=True, slots=True)
class Answer:
    """Batches, each of `schema`; its metadata says what the rows are."""

    schema: pa.Schema
    batches: Iterator[pa.RecordBatch]


def answer(reader: Reader, asked: Question) -> Answer:
    """The rows. Nothing is read before the first batch is asked for."""
    span = (asked.from_us, asked.to_us)
    if asked.what is What.JOURNAL:
        return _about(asked, records.JOURNAL, records.journal_batches(reader, *span))
    if asked.what is What.VERDICTS:
        return _about(asked, records.VERDICTS, records.verdict_batches(reader, *span))
    if asked.what is What.RAW:
        return _about(asked, samples.RAW, samples.raw_batches(reader, asked.names, *span))
    if asked.what is What.EVEN:
        levels = _are_levels(reader, asked.names)
        grid = Grid(*span, asked.every_us, asked.gap_us)
        return _about(asked, EVEN, even_batches(reader, asked.names, levels, grid, asked.how))
    kind = Kind(asked.what.value)
    return _about(asked, records.ROLLUPS, records.rollup_batches(reader, asked.names, kind, *span))


_TOLD = {
    What.RAW: "every sample on record",
    What.MINUTE: "sums by minute; 'how' says of what the mean is",
    What.HOUR: "sums by hour; 'how' says of what the mean is",
    What.JOURNAL: "alarm journal by seq",
    What.VERDICTS: "changes of verdicts by seq",
}


def _about(asked: Question, schema: pa.Schema, batches: Iterator[pa.RecordBatch]) -> Answer:
    if asked.what is What.EVEN:
        far = f"nothing reaches further than {asked.gap_us / 1e6:g} s"
        told = f"{_MEANT[asked.how]} every {asked.every_us / 1e6:g} s; {far}"
    else:
        told = _TOLD[asked.what]
    about = {"rows": told, "from": rfc3339(asked.from_us), "to": rfc3339(asked.to_us)}
    schema = schema.with_metadata(about)
    return Answer(schema, (batch.replace_schema_metadata(about) for batch in batches))


_MEANT = {
    How.LAST: "last value",
    How.INTERPOLATED: "interpolated between the neighbours",
    How.MEAN: "time-weighted mean (levels: of the energy)",
}


def _are_levels(reader: Reader, names: Sequence[str]) -> list[bool]:
    kinds = {row.name: row.kind for row in reader.series()}
    return [kinds.get(name) != PLAIN_MEAN for name in names]


def chosen_names(
    layout: Layout, reader: Reader, names: Sequence[str], valves: Sequence[str], groups: Sequence[str]
) -> list[str]:
    """Names under which samples are stored; nothing chosen means all. Raises UnknownSubjectError."""
    known = {row.name for row in reader.series()} | set(layout.names)
    if not (names or valves or groups):
        return sorted(known)
    found = dict.fromkeys(names)
    if unknown := [name for name in names if name not in known]:
        raise UnknownSubjectError(f"no samples are stored under the name {unknown[0]!r}")
    by_valve = {c.subject: c.source for c in layout.channels} | {c.name: c.source for c in layout.channels}
    for valve in valves:
        if valve not in by_valve:
            raise UnknownSubjectError(f"{valve!r} is no valve or channel of the register")
        found[by_valve[valve]] = None
    for group in groups:
        if group not in layout.group_names:
            raise UnknownSubjectError(f"{group!r} is no group of the register")
        found |= {c.source: None for c in layout.channels if c.group == group}
    return list(found)
