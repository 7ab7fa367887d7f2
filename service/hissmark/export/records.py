"""Journal, verdicts and rollups as record batches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.publish.alarm_shapes import journal_shape
from hissmark.store.archive import rollup_files
from hissmark.store.archive.catalogue import Kind
from hissmark.store.archive.sample_files import TIME
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader

_PAGE_ROWS = 5000
_TEXT, _NUMBER = pa.string(), pa.float64()

JOURNAL = pa.schema(
    [
        ("seq", pa.int64()), ("at", TIME), ("recorded_at", TIME), ("valve", _TEXT), ("group", _TEXT),
        ("alarm", _TEXT), ("event", _TEXT), ("state", _TEXT), ("priority", _TEXT), ("rise_db", _NUMBER),
        ("margin_db", _NUMBER), ("reason", _TEXT), ("operator", _TEXT), ("comment", _TEXT),
        ("origin", _TEXT),
    ]
)  # fmt: skip
VERDICTS = pa.schema(
    [
        ("seq", pa.int64()), ("at", TIME), ("valve", _TEXT), ("verdict", _TEXT), ("reason", _TEXT),
        ("source", _TEXT), ("rise_db", _NUMBER), ("margin_db", _NUMBER), ("level_db", _NUMBER),
        ("baseline_db", _NUMBER),
    ]
)  # fmt: skip
ROLLUPS = rollup_files.SCHEMA


def journal_batches(reader: Reader, from_us: int, to_us: int) -> Iterator[pa.RecordBatch]:
    """The alarm journal by `seq`: entries with from_us <= event time < to_us."""
    after = 0
    while page := reader.journal(
        JournalFilter(from_us=from_us, to_us=to_us), after_seq=after, limit=_PAGE_ROWS
    ):
        rows = []
        for row in page:
            shape: dict[str, Any] = dict(journal_shape(row))
            rows.append({**shape, "at": row.entry.at_us, "recorded_at": row.recorded_us})
        yield _batch(rows, JOURNAL)
        after = page[-1].seq


def verdict_batches(reader: Reader, from_us: int, to_us: int) -> Iterator[pa.RecordBatch]:
    """Changes of verdicts by `seq`."""
    after = 0
    while page := reader.verdict_changes(from_us=from_us, to_us=to_us, after_seq=after, limit=_PAGE_ROWS):
        rows = []
        for row in page:
            values = {name: getattr(row.change, name) for name in VERDICTS.names if name not in ("seq", "at")}
            rows.append({**values, "seq": row.seq, "at": row.change.at_us})
        yield _batch(rows, VERDICTS)
        after = page[-1].seq


def rollup_batches(
    reader: Reader, names: Sequence[str], kind: Kind, from_us: int, to_us: int
) -> Iterator[pa.RecordBatch]:
    """Sums by minute or hour, each name by time."""
    known = dict(enumerate(names))
    for part in reader.rollups(names, kind, from_us, to_us):
        yield from rollup_files.as_table(part, known).to_batches()


def _batch(rows: list[dict[str, Any]], schema: pa.Schema) -> pa.RecordBatch:
    columns = [
        pa.array([row[name] for row in rows], kind)
        for name, kind in zip(schema.names, schema.types, strict=True)
    ]
    return pa.record_batch(columns, schema=schema)
