"""What every comparison method gets: floors, the gates that are known, a baseline from the learning time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from plants.group import GroupRun
from plants.truth import BIN_S

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Spans = list[tuple[int, int, int]]
"""(channel, bin of raising, bin of clearing)."""


@dataclass(frozen=True)
class Floors:
    """Ten-minute floors of one group.

    Attributes:
        level_db: float64[bins, n], the last heard floor where a bin is empty.
        usable: bool[bins, n], heard, closed as far as a tag says, pressure difference as far as a tag says.
        rise_db: float64[bins, n], over the median of the learning time. scale_db: float64[n], its MAD.
        learned: first bin after the learning time. valve: bool[n].
    """

    level_db: F64
    usable: Bools
    rise_db: F64
    scale_db: F64
    learned: int
    valve: Bools


def floors_of(run: GroupRun) -> Floors:
    """L90 of each channel over bins of ten minutes; sparse channels give their lowest or latest level."""
    per_bin = BIN_S // run.spec.grid_s
    bins = len(run.level_db) // per_bin
    blocks = np.sort(run.level_db[: bins * per_bin].reshape(bins, per_bin, -1), axis=1)
    count = np.count_nonzero(~np.isnan(blocks), axis=1)
    pick = np.maximum(np.ceil(0.1 * count).astype(np.int64) - 1, 0)
    floor = np.take_along_axis(blocks, pick[:, None, :], axis=1)[:, 0, :].astype(np.float64)
    usable = run.truth.heard.copy()
    usable &= ~(run.open_bins & run.spec.known.position)
    if run.spec.known.pressure:
        usable &= ~run.low_bins[:, None] | ~run.spec.pipe.valve
    level = _hold(floor)
    learned = int(max(2 * 86400.0, 200.0 * float(run.spec.cadence_s.max())) // BIN_S)
    teach = np.where(usable, level, np.nan)[:learned]
    teach[:, np.isnan(teach).all(axis=0)] = level[:learned, np.isnan(teach).all(axis=0)]
    baseline = np.nanmedian(teach, axis=0)
    scale = np.maximum(1.4826 * np.nanmedian(np.abs(teach - baseline), axis=0), 0.3)
    return Floors(level, usable, level - baseline, scale, learned, run.spec.pipe.valve)


def _hold(values: F64) -> F64:
    """Forward fill; the first value stands for what comes before it."""
    known = ~np.isnan(values)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values))[:, None], 0), axis=0)
    held = np.take_along_axis(values, last, axis=0)
    first = np.take_along_axis(values, known.argmax(axis=0)[None, :], axis=0)
    return np.where(np.isnan(held), np.nan_to_num(first), held)


def alarms_of(active: Bools, floors: Floors, on_bins: int, off_bins: int) -> Spans:
    """On-delay and off-delay; bins that cannot be used neither raise nor clear; nothing while learning."""
    found: Spans = []
    for channel in np.flatnonzero(floors.valve):
        bins = np.flatnonzero(floors.usable[:, channel])
        bins = bins[bins >= floors.learned]
        found += [(int(channel), a, b) for a, b in _delayed(active[bins, channel], bins, on_bins, off_bins)]
    return found


def _delayed(
    active: Bools, bins: npt.NDArray[np.int64], on_bins: int, off_bins: int
) -> list[tuple[int, int]]:
    change = np.diff(np.concatenate(([0], active.astype(np.int8), [0])))
    runs = list(zip(np.flatnonzero(change == 1), np.flatnonzero(change == -1), strict=True))
    spans: list[tuple[int, int]] = []
    joined = -off_bins - 1
    for start, end in runs:
        raising = end - start >= on_bins
        if spans and start - joined < off_bins:
            spans[-1] = (spans[-1][0], _at(bins, end + off_bins - 1))
            joined = end
        elif raising:
            spans.append((int(bins[start + on_bins - 1]), _at(bins, end + off_bins - 1)))
            joined = end
    return spans


def _at(bins: npt.NDArray[np.int64], index: int) -> int:
    return int(bins[index]) if index < len(bins) else 10**9
