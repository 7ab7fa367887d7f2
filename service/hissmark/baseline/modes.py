"""Operating conditions found in the joint levels of a group: the few states that recur.

A compressor that starts lifts several channels at once, each by its own amount, and the group then stays
there for hours. Seen as one vector per moment, the levels of a group visit a few compact clouds. Complete
linkage on the largest difference of any channel finds them: no cloud is wider than the cut.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.cluster.hierarchy import fcluster, linkage

from hissmark.baseline.robust import MAD_FACTOR
from hissmark.signal.percentiles import medians

SMALLEST_SHARE = 0.05
SMALLEST_COUNT = 4
CUT_DB = 4.0
SAME_DB = 2.0
"""Clouds whose centres differ by less in every channel are one."""
CUT_SIGMAS = 6.0
EVEN_DB = 1.5
"""A state that differs from another by less than this in every channel, but for one amount common to all, is
that other state shifted: the judgement knows even shifts."""


def _apart(joint: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Largest difference of any channel that both moments heard, for each pair of moments (condensed)."""
    first, second = np.triu_indices(len(joint), 1)
    return np.asarray(np.nan_to_num(np.abs(joint[first] - joint[second])).max(axis=1), np.float64)


def cluster(joint: npt.NDArray[np.float64], most: int) -> npt.NDArray[np.intp]:
    """Label the moments of a group by recurring joint level.

    Args:
        joint: float64[times, channels] dB, NaN where a channel heard nothing.
        most: at most so many clouds are kept (the most visited).

    Returns:
        int[times], 0 for the most visited cloud; -1 for moments in no cloud that recurs.
    """
    times = len(joint)
    if times < 2 * SMALLEST_COUNT:
        return np.zeros(times, np.intp)
    steps = np.abs(np.diff(joint, axis=0))
    noise = float(MAD_FACTOR * np.nanmedian(steps) / np.sqrt(2.0)) if not np.isnan(steps).all() else 0.0
    tree = linkage(_apart(joint), method="complete")
    raw = fcluster(tree, max(CUT_DB, CUT_SIGMAS * noise), criterion="distance")
    sizes = np.bincount(raw)
    wanted = max(SMALLEST_COUNT, int(SMALLEST_SHARE * times))
    kept = [k for k in np.argsort(-sizes, kind="stable") if sizes[k] >= wanted][:most]
    if not kept:
        return np.zeros(times, np.intp)
    labels = np.full(times, -1, np.intp)
    centres: list[npt.NDArray[np.float64]] = []
    for k in kept:
        labels[raw == k] = _place(centres, column_medians(joint[raw == k]))
    return labels


def _place(centres: list[npt.NDArray[np.float64]], centre: npt.NDArray[np.float64]) -> int:
    """Number of the cloud of `centre`: an earlier one nearby (a wide cloud cut in two), or its own."""
    for place, other in enumerate(centres):
        apart = np.abs(other - centre)
        if not np.isnan(apart).all() and np.nanmax(apart) < SAME_DB:
            return place
    centres.append(centre)
    return len(centres) - 1


def shifted_evenly(step: npt.NDArray[np.float64]) -> bool:
    """Whether all channels (float64[m] dB, NaN where not known) moved by the same amount, near enough."""
    known = step[~np.isnan(step)]
    return not len(known) or bool(np.abs(known - np.median(known)).max() < EVEN_DB)


def column_medians(rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Column medians of float64[n, m]; NaN for a column without data, without a warning."""
    return np.asarray(medians(rows.T), np.float64)
