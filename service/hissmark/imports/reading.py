"""Files of samples in long form (`time`, `name`, `value`) or wide (`time` and a column for each name)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.csv as pacsv  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from hissmark.replay.convert import Chunk
from hissmark.replay.files import Opened
from hissmark.replay.rows import ReplayError, Tally

_ROWS = 1 << 16
_MAX_HEADER_BYTES = 1 << 20


def chunks(path: Path, tally: Tally) -> Iterator[Chunk]:
    """The rows of a file, in long form whatever it has. Raises ReplayError if it cannot be read."""
    if not path.is_file():
        raise ReplayError(f"{path}: there is no such file.")
    header = _header(path)
    named = {text.strip().lower() for text in header}
    if {"name", "value"} & named or "time" not in named:
        opened = Opened(path)  # it says what is missing
        yield from opened.chunks()
        opened.count_malformed(tally)
        return
    try:
        yield from _melted(path, header)
    except (pa.ArrowInvalid, pa.ArrowException, OSError) as error:
        raise ReplayError(f"{path} cannot be read: {error}") from error


def row_count(path: Path) -> int | None:
    """Rows of a Parquet file, known at once; None for CSV."""
    try:
        with pq.ParquetFile(path) as file:
            wide = "value" not in {n.strip().lower() for n in file.schema_arrow.names}
            return int(file.metadata.num_rows) * (file.metadata.num_columns - 1 if wide else 1)
    except (pa.ArrowInvalid, OSError):
        return None


def _header(path: Path) -> list[str]:
    try:
        if _is_parquet(path):
            with pq.ParquetFile(path) as file:
                return list(file.schema_arrow.names)
        with pa.input_stream(str(path), compression="detect") as stream:
            head = stream.read(_MAX_HEADER_BYTES).decode("utf-8-sig", "replace")
    except (pa.ArrowInvalid, OSError) as error:
        raise ReplayError(f"{path} cannot be read: {error}") from error
    return next(csv.reader(io.StringIO(head)), [])


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def _melted(path: Path, header: list[str]) -> Iterator[Chunk]:
    """Column after column of each portion; a cell without content is no sample."""
    time = next(text for text in header if text.strip().lower() == "time")
    names = [text for text in header if text != time]
    done = 0
    for batch in _batches(path, header):
        for name in names:
            column = batch.column(name)
            there = pc.is_valid(column)
            if pa.types.is_string(column.type):
                there = pc.and_(there, pc.not_equal(pc.utf8_trim_whitespace(column), ""))
            value = pc.filter(column, there)
            if len(value):
                named = pa.DictionaryArray.from_arrays(
                    pa.array([0] * len(value), pa.int32()), pa.array([name.strip()])
                )
                yield Chunk(path, pc.filter(batch.column(time), there), named, value, _numbered(done, there))
        done += batch.num_rows


def _numbered(before: int, there: Any) -> Any:
    rows = pc.indices_nonzero(there)
    return lambda i: before + rows[i].as_py() + 1


def _batches(path: Path, header: list[str]) -> Iterator[pa.RecordBatch]:
    if _is_parquet(path):
        with pq.ParquetFile(path, memory_map=True) as file:
            yield from file.iter_batches(_ROWS)
        return
    text = pacsv.ConvertOptions(
        column_types=dict.fromkeys(header, pa.string()), strings_can_be_null=False, check_utf8=False
    )
    with pa.input_stream(str(path), compression="detect") as stream:
        yield from pacsv.open_csv(stream, convert_options=text)
