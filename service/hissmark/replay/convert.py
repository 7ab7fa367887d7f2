"""Arrow columns of one chunk -> good rows as numpy columns, and the reason for every row left out.

No Python per row: names go through their dictionary, times and values through Arrow's casts. Only rows that
a cast refuses are looked at more closely, and those by halving the array until they stand alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from hissmark.decode.columns import RejectReason
from hissmark.replay.rows import MAX_BAD_ROWS, BadRow, ReplayError, Rows, Tally

Bool = npt.NDArray[np.bool_]
U8 = npt.NDArray[np.uint8]

MIN_TIME_US = 946_684_800_000_000  # 2000-01-01
MAX_TIME_US = 4_102_444_800_000_000  # 2100-01-01
MAX_VALUE = 1e9

UNKNOWN, NO_NAME = -1, -2

_TIMESTAMP = pa.timestamp("ns", tz="UTC")
_RFC3339 = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})$"
)
_DIGITS = r"^[0-9]{1,19}$"
_NUMBER = r"^[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?$"
_NOT_FINITE = r"^[-+]?(nan|inf|infinity)$"

_GOOD = 0
REASONS = (
    None,
    RejectReason.BAD_TIME,
    RejectReason.BAD_NAME,
    RejectReason.MISSING_VALUE,
    RejectReason.WRONG_TYPE,
    RejectReason.NOT_FINITE,
    RejectReason.OUT_OF_RANGE,
)
_BAD_TIME, _BAD_NAME, _MISSING, _WRONG_TYPE, _INFINITE, _TOO_BIG = range(1, 7)

_DETAIL: dict[int, Callable[[Any, Any, Any], str]] = {
    _BAD_TIME: lambda t, n, v: (
        f"time {t!r}: neither RFC 3339 with a zone nor nanoseconds since 1970 between the years 2000 and 2099"
    ),
    _BAD_NAME: lambda t, n, v: "the name is empty",
    _MISSING: lambda t, n, v: f"{n} has no value",
    _WRONG_TYPE: lambda t, n, v: f"{n}: value {v!r} is not a number",
    _INFINITE: lambda t, n, v: f"{n}: value {v!r} is not finite",
    _TOO_BIG: lambda t, n, v: f"{n}: value {v!r} is beyond 1e9",
}


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some consecutive rows of a file as Arrow arrays of equal length. `row_number(i)` counts from 1."""

    file: Path
    time: pa.Array
    name: pa.Array
    value: pa.Array
    row_number: Callable[[int], int]

    def __len__(self) -> int:
        return len(self.time)


@dataclass(frozen=True)
class Converter:
    """Turns chunks into rows of the names in `index`, within [from_us, to_us)."""

    index: dict[str, int]
    from_us: int
    to_us: int

    def rows(self, chunk: Chunk) -> Rows:
        """The good rows of known names. What is wrong is passed over; see `counted`."""
        series = _series(chunk.name, self.index)[0]
        time_us, value, reason = _columns(chunk, series)
        return self._picked(series, time_us, value, reason)

    def counted(self, chunk: Chunk, tally: Tally) -> Rows:
        """The same rows, with everything left out on record in `tally`."""
        series, texts, codes = _series(chunk.name, self.index)
        time_us, value, reason = _columns(chunk, series)
        rows = self._picked(series, time_us, value, reason)
        tally.rows += len(chunk)
        tally.good += len(rows)
        unknown = (series == UNKNOWN) & (reason == _GOOD)
        for code, count in zip(*np.unique(codes[unknown], return_counts=True), strict=True):
            tally.add_unknown(texts[int(code)], int(count))
        bad = np.flatnonzero(reason)
        tally.outside += len(chunk) - len(rows) - int(unknown.sum()) - len(bad)
        self._record(chunk, reason, bad, tally)
        return rows

    def _picked(self, series: npt.NDArray[np.int32], time_us: Any, value: Any, reason: U8) -> Rows:
        keep = (series >= 0) & (reason == _GOOD) & (time_us >= self.from_us) & (time_us < self.to_us)
        rows = Rows(series, time_us, value)
        return rows if keep.all() else rows.take(keep)

    def _record(self, chunk: Chunk, reason: U8, bad: npt.NDArray[np.intp], tally: Tally) -> None:
        counts = np.bincount(reason[bad], minlength=len(REASONS))
        for code, name in enumerate(REASONS):
            if name is not None:
                tally.count_bad(name, int(counts[code]))
        for i in bad[: max(0, MAX_BAD_ROWS - len(tally.bad_rows))].tolist():
            code = int(reason[i])
            cells = (_shown(chunk.time, i), _shown(chunk.name, i), _shown(chunk.value, i))
            named = REASONS[code]
            if named is not None:
                tally.add_bad(BadRow(chunk.file, chunk.row_number(i), named, _DETAIL[code](*cells)))


def _shown(column: pa.Array, i: int) -> Any:
    """One cell for a message; text that is not UTF-8 is shown as far as it goes, long text is cut."""
    if not _is_text(column.type):
        return column[i].as_py()
    cell = _plain(column[i : i + 1]).cast(pa.large_binary())[0].as_py()
    return None if cell is None else cell.decode("utf-8", "replace")[:60]


def _series(names: pa.Array, index: dict[str, int]) -> tuple[npt.NDArray[np.int32], list[str], Any]:
    """Series of every row (or UNKNOWN, NO_NAME), the distinct names, and each row's place among them."""
    coded = names if pa.types.is_dictionary(names.type) else pc.dictionary_encode(names)
    texts = _texts(coded.dictionary)
    known = [index.get(text, UNKNOWN) if text else NO_NAME for text in texts]
    lookup = np.array([*known, NO_NAME], np.int32)
    indices = coded.indices
    if indices.null_count:
        indices = pc.fill_null(indices, -1)
    codes = indices.to_numpy(zero_copy_only=False)
    return lookup[codes], texts, codes


def _texts(dictionary: pa.Array) -> list[str]:
    raw = dictionary.cast(pa.large_binary()).to_pylist()
    return ["" if b is None else b.decode("utf-8", "replace") for b in raw]


def _columns(chunk: Chunk, series: npt.NDArray[np.int32]) -> tuple[Any, Any, U8]:
    """Times (µs), values, and for each row why it is bad (0: it is not). The first reason wins."""
    time_us, bad_time = _times(chunk.time, chunk.file)
    value, reason = _values(chunk.value, chunk.file)
    if (series == NO_NAME).any():
        reason = np.where(series == NO_NAME, np.uint8(_BAD_NAME), reason)
    bad_time |= (time_us < MIN_TIME_US) | (time_us >= MAX_TIME_US)
    if bad_time.any():
        reason = np.where(bad_time, np.uint8(_BAD_TIME), reason)
    return time_us, value, reason


def _times(column: pa.Array, file: Path) -> tuple[npt.NDArray[np.int64], Bool]:
    """Microseconds since 1970 and which rows have none."""
    if pa.types.is_timestamp(column.type):
        return _timestamps(column)
    if pa.types.is_integer(column.type):
        numbers, null = _filled(column.cast(pa.int64(), safe=False), 0)
        return numbers // 1000, null
    if _is_text(column.type):
        return _text_times(_plain(column))
    raise ReplayError(
        f"{file}: column 'time' is {column.type}; "
        "it must be a timestamp, whole nanoseconds since 1970, or RFC 3339 text."
    )


def _timestamps(column: pa.Array) -> tuple[npt.NDArray[np.int64], Bool]:
    """Any unit to microseconds; times of day that do not fit become 0 and thereby bad."""
    unit = column.type.unit
    numbers, null = _filled(column.cast(pa.int64()), 0)
    if unit == "ns":
        return numbers // 1000, null
    factor = {"us": 1, "ms": 1000, "s": 1_000_000}[unit]
    if factor == 1:
        return numbers, null
    fits = np.abs(numbers) <= MAX_TIME_US // factor
    return np.where(fits, numbers, 0) * factor, null


def _text_times(column: pa.Array) -> tuple[npt.NDArray[np.int64], Bool]:
    try:
        numbers, null = _filled(column.cast(_TIMESTAMP).cast(pa.int64()), 0)
        return numbers // 1000, null
    except pa.ArrowInvalid:
        pass
    text = pc.utf8_upper(pc.utf8_trim_whitespace(_readable(column)))
    out = np.zeros(len(text), np.int64)
    for pattern, kind in ((_DIGITS, pa.int64()), (_RFC3339, _TIMESTAMP)):
        where = _matches(text, pattern)
        numbers, fits = _cast_what_can(text.filter(pa.array(where)), kind)
        out[np.flatnonzero(where)[fits]] = numbers[fits] // 1000
    return out, out == 0


def _values(column: pa.Array, file: Path) -> tuple[npt.NDArray[np.float64], U8]:
    """Values and a reason for each that is none."""
    kind = column.type
    if _is_text(kind):
        return _text_values(_plain(column))
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)):
        raise ReplayError(f"{file}: column 'value' is {kind}; it must hold numbers.")
    numbers = column.cast(pa.float64(), safe=False)
    null = numbers.is_null().to_numpy(zero_copy_only=False) if numbers.null_count else None
    value = numbers.to_numpy(zero_copy_only=False)
    return value, _value_reasons(value, null)


def _text_values(column: pa.Array) -> tuple[npt.NDArray[np.float64], U8]:
    try:
        value = column.cast(pa.float64()).to_numpy(zero_copy_only=False)
        return value, _value_reasons(value, None)
    except pa.ArrowInvalid:
        pass
    text = pc.utf8_trim_whitespace(_readable(column))
    value = np.full(len(text), np.nan)
    where = _matches(text, _NUMBER)
    numbers, fits = _cast_what_can(text.filter(pa.array(where)), pa.float64())
    value[np.flatnonzero(where)[fits]] = numbers[fits]
    reason = _value_reasons(value, _matches(text, "^$"))
    word = np.isnan(value) & ~_matches(pc.utf8_lower(text), _NOT_FINITE) & (reason == _INFINITE)
    reason[word] = _WRONG_TYPE
    return value, reason


def _value_reasons(value: npt.NDArray[np.float64], missing: Bool | None) -> U8:
    reason = np.zeros(len(value), np.uint8)
    fine = np.abs(value) <= MAX_VALUE
    if not fine.all():
        reason[~fine] = np.where(np.isfinite(value[~fine]), np.uint8(_TOO_BIG), np.uint8(_INFINITE))
    if missing is not None:
        reason[missing] = _MISSING
    return reason


def _cast_what_can(column: pa.Array, kind: pa.DataType) -> tuple[npt.NDArray[Any], Bool]:
    """Cast, leaving out single elements that cannot be cast: halves the array until they stand alone."""
    try:
        done = column.cast(kind)
        numbers = done.cast(pa.int64()) if pa.types.is_timestamp(kind) else done
        return numbers.to_numpy(zero_copy_only=False), np.ones(len(column), np.bool_)
    except pa.ArrowInvalid:
        if len(column) == 1:
            return np.zeros(1, np.int64), np.zeros(1, np.bool_)
    half = len(column) // 2
    first, second = _cast_what_can(column[:half], kind), _cast_what_can(column[half:], kind)
    return np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]])


def _filled(column: pa.Array, instead: int) -> tuple[npt.NDArray[np.int64], Bool]:
    """Whole numbers with `instead` where there is none, and where that was."""
    null = np.zeros(len(column), np.bool_)
    if column.null_count:
        null = column.is_null().to_numpy(zero_copy_only=False)
        column = pc.fill_null(column, instead)
    return column.to_numpy(zero_copy_only=False), null


def _matches(column: pa.Array, pattern: str) -> Bool:
    found = pc.fill_null(pc.match_substring_regex(column, pattern), pattern == "^$")
    return np.asarray(found.to_numpy(zero_copy_only=False), np.bool_)


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _plain(column: pa.Array) -> pa.Array:
    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def _readable(column: pa.Array) -> pa.Array:
    """The same text with whatever is not UTF-8 replaced, so that text functions accept it."""
    try:
        column.validate(full=True)
        return column
    except pa.ArrowInvalid:
        raw = column.cast(pa.large_binary()).to_pylist()
        return pa.array([None if b is None else b.decode("utf-8", "replace") for b in raw], pa.string())
