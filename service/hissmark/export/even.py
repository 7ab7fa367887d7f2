"""Samples on an even grid of time: the last value, interpolated, or the mean over each step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.export.samples import NAME
from hissmark.store.archive.sample_files import TIME
from hissmark.store.reader import Reader

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
_POINTS_AT_ONCE = 4_000
GAP_US = 3_600_000_000


class How(StrEnum):
    """What stands at a moment of the grid.

    LAST: the last sample at or before it. INTERPOLATED: on the straight line between its neighbours. MEAN:
    the mean over the step that begins there, each sample weighted by how long it was the last; of levels
    that of their energy, of process values the plain one.
    """

    LAST = "last"
    INTERPOLATED = "interpolated"
    MEAN = "mean"


@dataclass(frozen=True, slots=True)
class Grid:
    """Moments from_us, from_us + every_us, ... before to_us. No value reaches further than `gap_us`."""

    from_us: int
    to_us: int
    every_us: int
    gap_us: int = GAP_US


EVEN = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("name", NAME, nullable=False),
        pa.field("value", pa.float64()),
        pa.field("how", NAME, nullable=False),
    ]
)
_WORDS = ("last value", "interpolated", "mean of energy", "plain mean")


def even_batches(
    reader: Reader, names: Sequence[str], levels: Sequence[bool], grid: Grid, how: How
) -> Iterator[pa.RecordBatch]:
    """Every moment of the grid for each name, stretch by stretch; null where no sample is near enough.

    `levels`: for each name whether its mean is that of the energy. `how` in the rows says what stands there.
    """
    width_us = _POINTS_AT_ONCE * grid.every_us
    for begin_us in range(grid.from_us, grid.to_us, width_us):
        at_us = np.arange(begin_us, min(begin_us + width_us, grid.to_us), grid.every_us, dtype=np.int64)
        heard = _heard(reader, names, at_us, grid)
        for i, (time_us, value) in enumerate(heard):
            found = _FUNCTIONS[how](time_us, value, at_us, grid, levels[i])
            code = {How.LAST: 0, How.INTERPOLATED: 1, How.MEAN: 2 if levels[i] else 3}[how]
            yield pa.record_batch(
                [
                    pa.array(at_us, TIME),
                    _same(i, names, len(at_us)),
                    pa.array(found, mask=np.isnan(found)),
                    _same(code, _WORDS, len(at_us)),
                ],
                schema=EVEN,
            )


def _same(code: int, texts: Sequence[str], rows: int) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(
        pa.array(np.full(rows, code, np.int32)), pa.array(texts, pa.string())
    )


def _heard(reader: Reader, names: Sequence[str], at_us: I64, grid: Grid) -> list[tuple[I64, F64]]:
    """(times, values) of each name around a stretch of the grid."""
    begin_us, end_us = int(at_us[0]) - grid.gap_us, int(at_us[-1]) + max(grid.gap_us, grid.every_us) + 1
    pages = list(reader.raw(names, begin_us, end_us))
    if not pages:
        nothing = np.empty(0, np.int64), np.empty(0, np.float64)
        return [nothing for _ in names]
    series = np.concatenate([p.series for p in pages])
    time_us, value = np.concatenate([p.time_us for p in pages]), np.concatenate([p.value for p in pages])
    order = np.argsort(series, kind="stable")
    cuts = np.searchsorted(series[order], np.arange(len(names) + 1))
    rows = [order[cuts[i] : cuts[i + 1]] for i in range(len(names))]
    return [(time_us[r], value[r]) for r in rows]


def _last(time_us: I64, value: F64, at_us: I64, grid: Grid, level: bool) -> F64:
    place = np.searchsorted(time_us, at_us, side="right") - 1
    known = place >= 0
    known[known] &= at_us[known] - time_us[place[known]] <= grid.gap_us
    found = np.full(len(at_us), np.nan)
    found[known] = value[place[known]]
    return found


def _interpolated(time_us: I64, value: F64, at_us: I64, grid: Grid, level: bool) -> F64:
    after = np.searchsorted(time_us, at_us, side="left")
    exact = after < len(time_us)
    exact[exact] &= time_us[after[exact]] == at_us[exact]
    between = (after > 0) & (after < len(time_us)) & ~exact
    between[between] &= time_us[after[between]] - time_us[after[between] - 1] <= grid.gap_us
    found = np.full(len(at_us), np.nan)
    found[exact] = value[after[exact]]
    right, left = after[between], after[between] - 1
    share = (at_us[between] - time_us[left]) / (time_us[right] - time_us[left])
    found[between] = value[left] + share * (value[right] - value[left])
    return found


def _mean(time_us: I64, value: F64, at_us: I64, grid: Grid, level: bool) -> F64:
    """Mean of the signal that holds each sample until the next (at most `gap_us`) over [at, at + every)."""
    if not len(time_us):
        return np.full(len(at_us), np.nan)
    ends = np.minimum(np.append(time_us[1:], np.iinfo(np.int64).max), time_us + grid.gap_us)
    begin_us, end_us = at_us[0], at_us[-1] + grid.every_us
    edges = np.unique(np.concatenate((time_us, ends, at_us, [end_us])))
    edges = edges[(edges >= begin_us) & (edges <= end_us)]
    start, lasting_s = edges[:-1], np.diff(edges) / 1e6
    place = np.searchsorted(time_us, start, side="right") - 1
    heard = (place >= 0) & (start < ends[np.maximum(place, 0)])
    step = np.searchsorted(at_us, start[heard], side="right") - 1
    top = float(value.max()) if level else 0.0
    held = value[place[heard]]
    amount = np.power(10.0, (held - top) / 10.0) if level else held
    weight = np.bincount(step, lasting_s[heard], len(at_us))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(step, lasting_s[heard] * amount, len(at_us)) / weight
        found: F64 = top + 10.0 * np.log10(mean) if level else mean
    return found


_FUNCTIONS = {How.LAST: _last, How.INTERPOLATED: _interpolated, How.MEAN: _mean}
