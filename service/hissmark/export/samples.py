"""Samples as record batches: `time`, `name`, `value`. Each name's samples come in order of time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.store.archive.sample_files import TIME
from hissmark.store.reader import Reader

NAME = pa.dictionary(pa.int32(), pa.string())
RAW = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("name", NAME, nullable=False),
        pa.field("value", pa.float64(), nullable=False),
    ],
    {"rows": "every sample on record", "order": "each name by time"},
)


def raw_batches(reader: Reader, names: Sequence[str], from_us: int, to_us: int) -> Iterator[pa.RecordBatch]:
    """Every sample with from_us <= time < to_us."""
    for time, name, value in reader.long_form(names, from_us, to_us):
        yield pa.record_batch([time, name, value], schema=RAW)
