"""One file of samples: a day of a group, sorted by name and time.

Columns: `time` (timestamp, UTC, milliseconds if all of them are whole, else microseconds), `name`, `value`
(double), `flags` (see `decode.columns.Flag`). Once differences are packed, zeros at the end of microseconds
cannot be pressed out any more: in milliseconds a file is up to a third smaller.

Row groups end where a name ends, so that one channel is read without its neighbours; which names stand in
which row group is in the file's metadata under `hissmark.row_groups`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from hissmark.store.rows import Columns, series_order

SCHEMA_VERSION = "2"
TIME, COARSE_TIME = pa.timestamp("us", tz="UTC"), pa.timestamp("ms", tz="UTC")
SCHEMA = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("name", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
        pa.field("flags", pa.int16(), nullable=False),
    ]
)
ROW_GROUP_ROWS = 16_384
"""A row group takes further names until it has at least so many rows."""

ROW_GROUPS_AT_ONCE = 32
"""Read together; bounds memory to about half a million rows."""

_ROW_GROUPS, _VERSION = b"hissmark.row_groups", b"hissmark.schema"
_SAMPLED, _FEW_VALUES = 65_536, 0.25
_FIRST_US, _LAST_US = -(1 << 62), 1 << 62


def write(path: Path, columns: Columns, names: Mapping[int, str], *, fine: bool = False) -> None:
    """Write samples in any order; `names` gives the name of each series id. `fine`: always microseconds."""
    ids = np.unique(columns.series_id)
    texts = [names[i] for i in ids.tolist()]
    by_name = sorted(range(len(texts)), key=lambda i: texts[i].encode())
    rank = np.empty(len(ids), np.int32)
    rank[by_name] = np.arange(len(ids), dtype=np.int32)
    code = rank[np.searchsorted(ids, columns.series_id)]
    order = series_order(code, columns.time_us)
    ordered = [texts[i] for i in by_name]
    cuts = _cuts(code[order])
    groups = [[ordered[code[order[a]]], ordered[code[order[b - 1]]]] for a, b in cuts]
    unit = TIME if fine or is_fine(columns.time_us) else COARSE_TIME
    schema = SCHEMA.set(0, SCHEMA.field(0).with_type(unit))
    schema = schema.with_metadata({_VERSION: SCHEMA_VERSION, _ROW_GROUPS: json.dumps(groups)})
    arrays = [
        pa.array(columns.time_us[order], TIME).cast(unit),
        pa.DictionaryArray.from_arrays(pa.array(code[order]), pa.array(ordered, pa.string())),
        pa.array(columns.value[order]),
        pa.array(columns.flags[order].astype(np.int16)),
    ]
    table = pa.table(arrays, schema=schema)
    with pq.ParquetWriter(path, schema, **_options(columns.value)) as writer:
        for begin, end in cuts:
            writer.write_table(table.slice(begin, end - begin))


def is_fine(time_us: npt.NDArray[np.int64]) -> bool:
    """Whether a time is no whole millisecond."""
    return bool((time_us % 1000).any())


def is_in_us(source: Any) -> bool:
    """Whether a file has its times in microseconds."""
    with pq.ParquetFile(source, memory_map=True) as file:
        return bool(file.schema_arrow.field("time").type == TIME)


def repeats(value: npt.NDArray[np.float64]) -> bool:
    """Whether the same values come again and again, as levels with few digits do."""
    some = value[:: max(1, len(value) // _SAMPLED)]
    return len(np.unique(some)) < _FEW_VALUES * len(some)


def _options(value: npt.NDArray[np.float64]) -> dict[str, Any]:
    """Encodings that suit the data: levels with few digits repeat, others differ in their last bytes only."""
    repeating = repeats(value)
    encodings = {"time": "DELTA_BINARY_PACKED"}
    if not repeating:
        encodings["value"] = "BYTE_STREAM_SPLIT"
    return {
        "compression": "zstd",
        "compression_level": 3,
        "version": "2.6",
        "use_dictionary": ["name", "flags", *(["value"] if repeating else [])],
        "column_encoding": encodings,
        "write_page_checksum": True,
        "sorting_columns": [pq.SortingColumn(1), pq.SortingColumn(0)],
    }


def _cuts(code: npt.NDArray[np.int32]) -> list[tuple[int, int]]:
    """Where row groups begin and end: at a change of name, once one is long enough."""
    ends = np.append(np.flatnonzero(np.diff(code)) + 1, len(code)).tolist()
    cuts, begin = [], 0
    for end in ends:
        if end - begin >= ROW_GROUP_ROWS or end == len(code):
            cuts.append((begin, end))
            begin = end
    return cuts


Sought: TypeAlias = "npt.NDArray[np.object_]"
"""Names that are looked for, as UTF-8, in order."""


def sought(names: Iterable[str]) -> Sought:
    """What `tables` takes."""
    return np.array(sorted(name.encode() for name in names), object)


def tables(
    source: Any, wanted: Sought | None = None, columns: list[str] | None = None, *, threads: bool = True
) -> Iterator[pa.Table]:
    """Some columns (None: all) of the row groups that may hold `wanted` names (None: all), some at once as a
    table; times are in the unit of the file (`in_us`). `threads`: columns are decoded side by side, which
    takes twice the processor time.
    """
    with pq.ParquetFile(
        source, memory_map=True, page_checksum_verification=True, read_dictionary=["name"]
    ) as file:
        found = _row_groups(file, wanted)
        for begin in range(0, len(found), ROW_GROUPS_AT_ONCE):
            yield file.read_row_groups(
                found[begin : begin + ROW_GROUPS_AT_ONCE], columns, use_threads=threads
            )


def in_us(time: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of times in microseconds, whatever unit the file has."""
    return time if time.type == TIME else time.cast(TIME)


def _row_groups(file: pq.ParquetFile, wanted: Sought | None) -> list[int]:
    every = list(range(file.metadata.num_row_groups))
    noted = (file.schema_arrow.metadata or {}).get(_ROW_GROUPS)
    if wanted is None or noted is None:
        return every
    found = []
    for i, (first, last) in enumerate(json.loads(noted)):
        begin, end = np.searchsorted(wanted, [first.encode(), last.encode() + b"\0"])
        if end > begin:
            found.append(i)
    return found


def read(source: Any, wanted: Mapping[str, int], from_us: int, to_us: int) -> Columns:
    """Samples of the wanted names with from_us <= time < to_us, under the ids given there; by name, then
    time.
    """
    read_in = tables(source, sought(wanted), threads=False)  # several files are read side by side instead
    found = (_picked(table, wanted, from_us, to_us) for table in read_in)
    return joined([part for part in found if len(part)])


def _picked(table: pa.Table, wanted: Mapping[str, int], from_us: int, to_us: int) -> Columns:
    name = table.column("name").combine_chunks()
    texts = name.dictionary.to_pylist()
    lookup = np.array([wanted.get(text, -1) for text in texts], np.int32)
    series, time_us = lookup[plain(name.indices)], _times_us(table.column("time"))
    value, flags = plain(table.column("value")), plain(table.column("flags"))
    found = Columns(time_us, series, value, flags.astype(np.uint8))
    keep = (series >= 0) & (time_us >= from_us) & (time_us < to_us)
    return found if keep.all() else found.take(keep)


def _times_us(time: pa.ChunkedArray) -> npt.NDArray[np.int64]:
    """int64[rows], microseconds."""
    return np.asarray(plain(time) if time.type == TIME else plain(time) * 1000, np.int64)


def plain(column: pa.Array | pa.ChunkedArray) -> npt.NDArray[Any]:
    """The numbers of a column without gaps, not to be written to; times in the unit of the file.

    As they lie in memory: the library's own way would load pandas, which takes a third of a second.
    """
    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    return np.from_dlpack(array.view(pa.int64()) if pa.types.is_timestamp(array.type) else array)


def joined(parts: list[Columns]) -> Columns:
    """One after the other."""
    if not parts:
        empty = np.empty(0, np.int64)
        return Columns(empty, empty.astype(np.int32), empty.astype(np.float64), empty.astype(np.uint8))
    return Columns(
        np.concatenate([p.time_us for p in parts]),
        np.concatenate([p.series_id for p in parts]),
        np.concatenate([p.value for p in parts]),
        np.concatenate([p.flags for p in parts]),
    )


def read_all(source: Any) -> tuple[list[str], Columns]:
    """A whole file: its names, and its samples under their places in that list."""
    places: dict[str, int] = {}
    parts = []
    for table in tables(source):
        for text in table.column("name").combine_chunks().dictionary.to_pylist():
            places.setdefault(text, len(places))
        parts.append(_picked(table, places, _FIRST_US, _LAST_US))
    return list(places), joined(parts)
