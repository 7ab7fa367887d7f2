"""Files of rollups: minutes of a day, hours of a month, sorted by name and time. Columns as in `rollup`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from hissmark.store.archive import sample_files
from hissmark.store.archive.rollup import NUMBERS, Rollup
from hissmark.store.archive.sample_files import TIME

TEXT = pa.dictionary(pa.int32(), pa.string())
HOW = ("plain", "energy")
SCHEMA = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("name", TEXT, nullable=False),
        pa.field("n", pa.int64(), nullable=False),
        *(pa.field(name, pa.float64(), nullable=False) for name in NUMBERS),
        pa.field("how", TEXT, nullable=False),
    ]
)
_ROW_GROUP_ROWS = 16_384


def as_table(rollup: Rollup, names: Mapping[int, str]) -> pa.Table:
    """As an Arrow table, in the order given; `names` gives the name of each series id."""
    ids = np.unique(rollup.series_id)
    code = np.searchsorted(ids, rollup.series_id).astype(np.int32)
    texts = pa.array([names[i] for i in ids.tolist()], pa.string())
    columns = [
        pa.array(rollup.start_us, TIME),
        pa.DictionaryArray.from_arrays(pa.array(code), texts),
        pa.array(rollup.n.astype(np.int64)),
        *(pa.array(getattr(rollup, name)) for name in NUMBERS),
        pa.DictionaryArray.from_arrays(pa.array(rollup.energy.astype(np.int32)), pa.array(HOW, pa.string())),
    ]
    return pa.table(columns, schema=SCHEMA)


def write(path: Path, rollup: Rollup, names: Mapping[int, str]) -> None:
    """Write a file."""
    order = sorted(np.unique(rollup.series_id).tolist(), key=lambda i: names[i].encode())
    rank = np.empty(max(order) + 1, np.int64)
    rank[order] = np.arange(len(order))
    ordered = rollup.take(np.lexsort((rollup.start_us, rank[rollup.series_id])))
    repeating = [name for name in ("min", "max") if sample_files.repeats(getattr(ordered, name))]
    split = [name for name in NUMBERS if name not in repeating]
    pq.write_table(
        as_table(ordered, names),
        path,
        row_group_size=_ROW_GROUP_ROWS,
        compression="zstd",
        version="2.6",
        use_dictionary=["name", "how", "n", *repeating],
        column_encoding={"time": "DELTA_BINARY_PACKED", **dict.fromkeys(split, "BYTE_STREAM_SPLIT")},
        write_page_checksum=True,
        sorting_columns=[pq.SortingColumn(1), pq.SortingColumn(0)],
    )


def read(source: Any, wanted: Mapping[str, int], from_us: int, to_us: int) -> Rollup:
    """Periods of the wanted names with from_us <= start < to_us, under the ids given there."""
    names = sorted(wanted)
    with pq.ParquetFile(source, memory_map=True, page_checksum_verification=True) as file:
        groups = [i for i in range(file.metadata.num_row_groups) if _may_hold(file, i, names)]
        table = file.read_row_groups(groups)
    return _rollup(table, wanted, from_us, to_us)


def _may_hold(file: pq.ParquetFile, row_group: int, names: list[str]) -> bool:
    found = file.metadata.row_group(row_group).column(1).statistics
    if found is None or not found.has_min_max:
        return True
    return any(found.min <= name <= found.max for name in names)


def _rollup(table: pa.Table, wanted: Mapping[str, int], from_us: int, to_us: int) -> Rollup:
    name = table.column("name").cast(TEXT).combine_chunks()
    lookup = np.array([wanted.get(text, -1) for text in name.dictionary.to_pylist()] or [-1], np.int32)
    series = lookup[name.indices.to_numpy()] if len(name) else np.empty(0, np.int32)
    start_us = table.column("time").to_numpy().view(np.int64)
    how = pc.equal(table.column("how").cast(pa.string()), "energy").to_numpy()
    numbers = {column: table.column(column).to_numpy() for column in NUMBERS}
    found = Rollup(start_us, series, table.column("n").to_numpy(), energy=how.astype(bool), **numbers)
    return found.take((series >= 0) & (start_us >= from_us) & (start_us < to_us))
