"""Opening files of samples: long form `time`, `name`, `value`, as CSV (also .gz, .bz2, .zst) or Parquet."""

from __future__ import annotations

import csv
import io
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.csv as pacsv  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from hissmark.decode.columns import RejectReason
from hissmark.replay.convert import Chunk
from hissmark.replay.rows import BadRow, ReplayError, Tally

COLUMNS = ("time", "name", "value")
CHUNK_ROWS = 1 << 19
_CSV_BLOCK_BYTES = 16 << 20
_MAX_HEADER_BYTES = 1 << 16


@dataclass
class Opened:
    """A file being read: its chunks, and the lines that were no rows at all (CSV only)."""

    path: Path
    rows: int = 0
    _malformed: array[int] = field(default_factory=lambda: array("q"))
    _examples: list[BadRow] = field(default_factory=list)

    def chunks(self) -> Iterator[Chunk]:
        """The rows in file order. Raises ReplayError if the file cannot be read."""
        if not self.path.is_file():
            raise ReplayError(f"{self.path}: there is no such file.")
        try:
            yield from self._parquet() if _is_parquet(self.path) else self._csv()
        except (pa.ArrowInvalid, pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise ReplayError(f"{self.path} cannot be read: {error}") from error

    def count_malformed(self, tally: Tally) -> None:
        """Put the lines that were no rows on record; call after the last chunk."""
        tally.rows += len(self._malformed)
        tally.count_bad(RejectReason.WRONG_TYPE, len(self._malformed))
        for row in self._examples:
            tally.add_bad(row)

    def _chunk(self, time: pa.Array, name: pa.Array, value: pa.Array) -> Chunk:
        before = self.rows
        self.rows += len(time)
        return Chunk(self.path, time, name, value, lambda i: self._row_number(before + i + 1))

    def _row_number(self, nth: int) -> int:
        """Row number of the nth row that is one, counting the malformed lines before it."""
        malformed, number = np.array(self._malformed, np.int64), nth
        while (found := nth + int(np.searchsorted(malformed, number, side="right"))) != number:
            number = found
        return number

    def _parquet(self) -> Iterator[Chunk]:
        with pq.ParquetFile(self.path, memory_map=True) as plain:
            names = _columns_of(self.path, plain.schema_arrow.names)
        with pq.ParquetFile(self.path, memory_map=True, read_dictionary=[names[1]]) as file:
            for batch in file.iter_batches(batch_size=CHUNK_ROWS, columns=list(names), use_threads=False):
                yield self._chunk(*(batch.column(n) for n in names))

    def _csv(self) -> Iterator[Chunk]:
        header = _csv_header(self.path)
        if header is None:
            raise ReplayError(
                f"{self.path} is empty; its first line must name the columns time, name and value."
            )
        names = _columns_of(self.path, header)
        with pa.input_stream(str(self.path), compression="detect") as stream:
            reader = pacsv.open_csv(
                stream,
                read_options=pacsv.ReadOptions(use_threads=False, block_size=_CSV_BLOCK_BYTES),
                parse_options=pacsv.ParseOptions(invalid_row_handler=self._skip),
                convert_options=_as_text(names),
            )
            for batch in reader:
                yield self._chunk(*(batch.column(n) for n in names))

    def _skip(self, row: Any) -> str:
        """Leave out a line with the wrong number of fields (called by Arrow's reader)."""
        number = int(row.number) - 1 if row.number is not None else 0
        self._malformed.append(number)
        if len(self._examples) < 100:
            detail = f"{row.actual_columns} fields instead of {row.expected_columns}: {row.text[:60]!r}"
            self._examples.append(BadRow(self.path, number, RejectReason.WRONG_TYPE, detail))
        return "skip"


def _as_text(names: tuple[str, str, str]) -> pacsv.ConvertOptions:
    """All columns as they are written: what a cell means is decided in one place, `convert`."""
    text = {name: pa.string() for name in names}
    return pacsv.ConvertOptions(
        check_utf8=False,
        column_types=text | {names[1]: pa.dictionary(pa.int32(), pa.string())},
        include_columns=list(names),
        strings_can_be_null=False,
    )


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def _csv_header(path: Path) -> list[str] | None:
    with pa.input_stream(str(path), compression="detect") as stream:
        head = stream.read(_MAX_HEADER_BYTES).decode("utf-8-sig", "replace")
    return next(csv.reader(io.StringIO(head)), None)


def _columns_of(path: Path, found: list[str]) -> tuple[str, str, str]:
    """The file's own spelling of time, name and value (case and blanks do not matter)."""
    spelled = {text.strip().lower(): text for text in found}
    missing = [name for name in COLUMNS if name not in spelled]
    if missing:
        raise ReplayError(
            f"{path}: no column {' and no column '.join(map(repr, missing))}; found {', '.join(found[:8])}. "
            "Samples come in long form with the columns time, name and value."
        )
    return spelled["time"], spelled["name"], spelled["value"]
