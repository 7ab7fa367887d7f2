"""Robust location and scale: median, MAD, Qn, Huber, Hampel's outlier rule, over many short rows at once.

Every function takes ``values`` float[n, w] (one row per channel) and an optional ``valid`` bool[n, w];
NaN is never data. A row without data gives NaN. Scales carry the factor that makes them estimate the
standard deviation of Gaussian data: 1.4826 for the MAD, 2.2191 for Qn, 0.7413 for the interquartile range.

Sources: Hampel (1974) for MAD and the outlier rule; Rousseeuw & Croux (1993) for Qn; Huber (1964) for
location with given scale and his "proposal 2" for both together.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from hissmark.signal.levels import Levels
from hissmark.signal.percentiles import masked_level, row_level, sort_rows

Mask: TypeAlias = npt.NDArray[np.bool_]

MAD_FACTOR = 1.4826022185056018
"""1 / upper quartile of the standard normal distribution."""

QN_FACTOR = 2.2191444659850756
"""1 / (sqrt(2) times the 5/8 quantile of the standard normal distribution)."""

IQR_FACTOR = 0.7413011092528009

HUBER_K = 1.5
"""Huber's corner in units of the scale; 1.5 keeps 96 % efficiency on Gaussian data."""

_MAX_STEPS = 60
_RELATIVE_STEP = 1e-9
_QN_CHUNK_PAIRS = 1 << 20  # pairs held at a time: 8 MB of float64


class Located(NamedTuple):
    """Location and scale of each row, both float[n], in the unit of the values."""

    location: Levels
    scale: Levels


def row_median(values: Levels, valid: Mask | None = None) -> Levels:
    """Median of each row: float[n]."""
    return masked_level(values, valid, 50.0)


def row_mad(values: Levels, valid: Mask | None = None) -> Located:
    """Median and MAD scale (1.4826 times the median distance from it) of each row."""
    middle = row_median(values, valid)
    distance = np.abs(values - middle[:, None])
    return Located(middle, row_median(distance, valid) * values.dtype.type(MAD_FACTOR))


def row_iqr_scale(values: Levels, valid: Mask | None = None) -> Levels:
    """Scale of each row from its interquartile range: 0.7413 (Q3 - Q1), float[n]."""
    rows = sort_rows(values, valid)
    return (row_level(rows, 25.0) - row_level(rows, 75.0)) * values.dtype.type(IQR_FACTOR)


def row_qn(values: Levels, valid: Mask | None = None) -> Levels:
    """Qn scale of each row: float[n], NaN below two data; no finite-sample factor.

    82 % efficient on Gaussian data (MAD 37 %), with the same 50 % breakdown, and needs no centre. Costs
    w (w - 1) / 2 differences a row: for learning a baseline, not for every tick.
    """
    n, width = values.shape
    scale = np.full(n, np.nan, values.dtype)
    chunk = max(1, _QN_CHUNK_PAIRS // max(1, width * (width - 1) // 2))
    for start in range(0, n, chunk):
        rows = slice(start, start + chunk)
        scale[rows] = _qn_of_chunk(values[rows], None if valid is None else valid[rows])
    return scale


def _qn_of_chunk(values: Levels, valid: Mask | None) -> Levels:
    n, width = values.shape
    rows = sort_rows(values, valid)
    first, second = np.triu_indices(width, 1)
    known = second[None, :] < rows.counts[:, None]  # both ends of the pair lie before the filler
    with np.errstate(invalid="ignore"):
        distance = rows.values[:, second] - rows.values[:, first]
    distance = np.where(known, distance, np.asarray(np.inf, values.dtype))
    distance.sort(axis=1)
    half = rows.counts // 2 + 1
    place = np.maximum(half * (half - 1) // 2 - 1, 0)
    scale: Levels = np.full(n, np.nan, values.dtype)
    enough = rows.counts >= 2
    scale[enough] = distance[np.flatnonzero(enough), place[enough]] * values.dtype.type(QN_FACTOR)
    return scale


def row_huber(values: Levels, valid: Mask | None = None, k: float = HUBER_K) -> Located:
    """Huber's M-estimate of location of each row with the MAD scale held fixed.

    A row whose MAD is zero (more than half of it equal) gives its median.
    """
    middle, scale = row_mad(values, valid)
    data, known, count = _as_rows(values, valid)
    location, spread = middle.astype(np.float64), scale.astype(np.float64)
    moving = count > 0
    for _ in range(_MAX_STEPS):
        before = location
        location = np.where(moving, _clipped_mean(data, known, count, before, k * spread), before)
        moving &= _moved(location, before, spread)
        if not moving.any():
            break
    return Located(location.astype(values.dtype), scale)


def row_huber_proposal_2(values: Levels, valid: Mask | None = None, k: float = HUBER_K) -> Located:
    """Huber's proposal 2: location and scale of each row estimated together.

    A row whose MAD is zero keeps its median and the scale zero.
    """
    first = row_mad(values, valid)
    data, known, count = _as_rows(values, valid)
    location, spread = first.location.astype(np.float64), first.scale.astype(np.float64)
    moving = count > 0
    for _ in range(_MAX_STEPS):
        before, width = location, spread
        location = np.where(moving, _clipped_mean(data, known, count, before, k * width), before)
        wider = _clipped_spread(data, known, count, before, location, k * width) / math.sqrt(_consistency(k))
        spread = np.where(moving, wider, width)
        moving &= _moved(location, before, width) | _moved(spread, width, width)
        if not moving.any():
            break
    spread[count == 0] = np.nan
    return Located(location.astype(values.dtype), spread.astype(values.dtype))


def hampel_outliers(
    values: Levels, valid: Mask | None = None, threshold: float = 3.0, min_scale: float = 0.0
) -> Mask:
    """Hampel's rule: True where ``|x - median| > threshold * 1.4826 MAD`` of its row; bool[n, w].

    `min_scale` (unit of the values) keeps rows that hardly vary from flagging every small step. What is
    not data is never flagged.
    """
    middle, scale = row_mad(values, valid)
    limit = threshold * np.maximum(scale, values.dtype.type(min_scale))
    with np.errstate(invalid="ignore"):
        outlying = np.abs(values - middle[:, None]) > limit[:, None]
    return outlying if valid is None else outlying & valid


def _as_rows(
    values: Levels, valid: Mask | None
) -> tuple[npt.NDArray[np.float64], Mask, npt.NDArray[np.int64]]:
    """Rows as float64 with 0 where there is no data, the mask of data, and their number in each row."""
    known = ~np.isnan(values) if valid is None else valid & ~np.isnan(values)
    return np.where(known, values, 0.0).astype(np.float64), known, known.sum(axis=1)


def _clipped_mean(
    data: npt.NDArray[np.float64],
    known: Mask,
    count: npt.NDArray[np.int64],
    centre: npt.NDArray[np.float64],
    reach: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Mean of each row after pulling data in to ``centre ± reach``."""
    pulled = np.clip(data - centre[:, None], -reach[:, None], reach[:, None])
    mean: npt.NDArray[np.float64] = centre + np.where(known, pulled, 0.0).sum(axis=1) / np.maximum(count, 1)
    return mean


def _clipped_spread(
    data: npt.NDArray[np.float64],
    known: Mask,
    count: npt.NDArray[np.int64],
    centre: npt.NDArray[np.float64],
    mean: npt.NDArray[np.float64],
    reach: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Standard deviation of each row about `mean` after pulling data in to ``centre ± reach``."""
    pulled = centre[:, None] + np.clip(data - centre[:, None], -reach[:, None], reach[:, None])
    square = np.where(known, (pulled - mean[:, None]) ** 2, 0.0).sum(axis=1)
    spread: npt.NDArray[np.float64] = np.sqrt(square / np.maximum(count - 1, 1))
    return spread


def _moved(
    now: npt.NDArray[np.float64], before: npt.NDArray[np.float64], spread: npt.NDArray[np.float64]
) -> Mask:
    """Which rows moved by more than a tiny part of their spread; a settled row stays as it is, so that its
    answer does not depend on the rows beside it."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(now - before) > _RELATIVE_STEP * spread)


def _consistency(k: float) -> float:
    """Variance of standard normal data pulled in to ±k: makes proposal 2 consistent."""
    inside = math.erf(k / math.sqrt(2.0))
    density = math.exp(-0.5 * k * k) / math.sqrt(2.0 * math.pi)
    return inside + k * k * (1.0 - inside) - 2.0 * k * density
