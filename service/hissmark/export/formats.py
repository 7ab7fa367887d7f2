"""Record batches as bytes, piece by piece: CSV (RFC 4180), JSON, Arrow stream, Parquet."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

ROW_GROUP_ROWS = 1 << 20
_TEXT = pa.string()


class Format(StrEnum):
    """How something is written."""

    CSV = "csv"
    JSON = "json"
    ARROW = "arrow"
    PARQUET = "parquet"

    @property
    def media_type(self) -> str:
        return _MEDIA_TYPES[self]


_MEDIA_TYPES = {
    Format.CSV: "text/csv; charset=utf-8; header=present",
    Format.JSON: "application/json",
    Format.ARROW: "application/vnd.apache.arrow.stream",
    Format.PARQUET: "application/vnd.apache.parquet",
}


def encoded(batches: Iterable[pa.RecordBatch], schema: pa.Schema, form: Format) -> Iterator[bytes]:
    """The batches (each of `schema`) as bytes of one document."""
    return _ENCODERS[form](batches, schema)


def _csv(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Iterator[bytes]:
    yield (",".join(schema.names) + "\r\n").encode()
    for batch in batches:
        if batch.num_rows:
            cells = [_csv_text(column) for column in batch.columns]
            yield _joined(_between(cells, ","), "\r\n")


def _json(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Iterator[bytes]:
    """``{"about": {...}, "rows": [...]}``: one object a row, one row a line."""
    about = {key.decode(): text.decode() for key, text in (schema.metadata or {}).items()}
    yield f'{{"about":{json.dumps(about)},"rows":['.encode()
    first = True
    for batch in batches:
        if not batch.num_rows:
            continue
        cells: list[Any] = []
        for name, column in zip(schema.names, batch.columns, strict=True):
            cells += [f"{',' if cells else '{'}{json.dumps(name)}:", _json_text(column)]
        piece = _joined([*cells, "}"], ",\n")[:-2]
        yield (b"\n" if first else b",\n") + piece
        first = False
    yield b"]}\n"


def _arrow(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Iterator[bytes]:
    pipe = Pipe()
    with pa.ipc.new_stream(pipe, schema) as writer:
        yield pipe.taken()
        for batch in batches:
            writer.write_batch(batch)
            yield pipe.taken()
    yield pipe.taken()


def _parquet(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Iterator[bytes]:
    pipe = Pipe()
    options = {"compression": "zstd", "version": "2.6", "write_page_checksum": True}
    with pq.ParquetWriter(pipe, schema, **options) as writer:
        waiting: list[pa.RecordBatch] = []
        for batch in batches:
            waiting.append(batch)
            if sum(part.num_rows for part in waiting) >= ROW_GROUP_ROWS:
                writer.write_table(pa.Table.from_batches(waiting, schema))
                waiting = []
                yield pipe.taken()
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting, schema))
    yield pipe.taken()


_ENCODERS = {Format.CSV: _csv, Format.JSON: _json, Format.ARROW: _arrow, Format.PARQUET: _parquet}


class Pipe(io.RawIOBase):
    """Takes what a writer writes until it is fetched."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[Any] = []
        self._written = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        # Arrow hands over a buffer of its own, or bytes. Neither changes any more: one copy, at the end.
        self._parts.append(data)
        size = memoryview(data).nbytes
        self._written += size
        return size

    def tell(self) -> int:
        return self._written

    def taken(self) -> bytes:
        """What was written since the last time."""
        parts, self._parts = self._parts, []
        return b"".join(parts)


def _between(cells: list[Any], separator: str) -> list[Any]:
    found: list[Any] = []
    for cell in cells:
        found += [separator, cell] if found else [cell]
    return found


def _joined(cells: list[Any], end: str) -> bytes:
    """Rows of cells (arrays and texts that are the same in each) one after the other, each with `end` behind
    it.

    Strings of an Arrow array lie one behind the other in memory, so the array is the text.
    """
    rows = pc.binary_join_element_wise(*_texts(cells), pa.scalar(end, _TEXT), "")
    rows = rows.combine_chunks() if isinstance(rows, pa.ChunkedArray) else rows
    return bytes(rows.buffers()[2])


def _texts(cells: list[Any]) -> list[Any]:
    return [pa.scalar(c, _TEXT) if isinstance(c, str) else c.cast(_TEXT) for c in cells]


def time_text(column: pa.Array) -> pa.Array:
    """RFC 3339 in UTC with six digits: ``2026-03-01T02:14:00.000000Z``."""
    text = column.cast(pa.timestamp("us")).cast(_TEXT)
    return pc.binary_join_element_wise(pc.binary_replace_slice(text, 10, 11, "T"), "Z", "")


def _csv_text(column: pa.Array) -> pa.Array:
    if pa.types.is_timestamp(column.type):
        return time_text(column)
    if pa.types.is_dictionary(column.type):
        return pa.DictionaryArray.from_arrays(column.indices, _quoted(column.dictionary)).cast(_TEXT)
    text = column.cast(_TEXT)
    return pc.fill_null(_quoted(text) if pa.types.is_string(column.type) else text, "")


def _quoted(text: pa.Array) -> pa.Array:
    """Quoted where RFC 4180 wants it: commas, quotes, ends of line; and blanks at the ends."""
    special = pc.match_substring_regex(text, '[",\r\n]|^ | $')
    doubled = pc.replace_substring(text, '"', '""')
    return pc.if_else(special, pc.binary_join_element_wise('"', doubled, '"', ""), text)


def _json_text(column: pa.Array) -> pa.Array:
    if pa.types.is_timestamp(column.type):
        return pc.fill_null(pc.binary_join_element_wise('"', time_text(column), '"', ""), "null")
    if pa.types.is_dictionary(column.type):
        quoted = pa.array([json.dumps(t, ensure_ascii=False) for t in column.dictionary.to_pylist()], _TEXT)
        return pa.DictionaryArray.from_arrays(column.indices, quoted).cast(_TEXT)
    if pa.types.is_string(column.type):
        texts = column.to_pylist()
        return pa.array([json.dumps(t, ensure_ascii=False) for t in texts], _TEXT)
    text = column.cast(_TEXT)
    if pa.types.is_floating(column.type):  # a reader takes -0 for a whole number, which has no sign then
        text = pc.if_else(pc.equal(text, "-0"), "-0.0", text)
    return pc.fill_null(text, "null")
