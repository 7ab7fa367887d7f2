"""What people do to baselines: approve, hold, let go, have learned anew, set."""

from __future__ import annotations

import numpy as np

from hissmark.baseline.bank import Baselines

Mode = int | None
"""Number of an operating condition; None: all of them."""


def approve(baselines: Baselines, channel: int, mode: Mode) -> None:
    """The baseline as it is now is right: from here it may drift no further than allowed."""
    chosen = _learned(baselines, channel, mode)
    baselines.anchor[channel, chosen] = baselines.value[channel, chosen]
    baselines.approved[channel, chosen] = True


def hold(baselines: Baselines, channel: int, mode: Mode) -> None:
    """The baseline follows nothing until it is released."""
    baselines.held[channel, _learned(baselines, channel, mode)] = True


def release(baselines: Baselines, channel: int, mode: Mode) -> None:
    """End of holding."""
    baselines.held[channel, _chosen(baselines, mode)] = False


def relearn(baselines: Baselines, channel: int, mode: Mode) -> None:
    """Forget the baseline and what it was learned from; the channel is not judged until it has a new one."""
    chosen = _chosen(baselines, mode)
    for array in (baselines.value, baselines.scale, baselines.anchor):
        array[channel, chosen] = np.nan
    for flag in (baselines.learned, baselines.approved, baselines.held):
        flag[channel, chosen] = False
    _empty(baselines, channel, chosen)


def put(baselines: Baselines, channel: int, mode: int, value_db: float, scale_db: float) -> None:
    """Background and scale as found elsewhere: in a period of the history, or copied from another sensor."""
    chosen = _chosen(baselines, mode)
    _empty(baselines, channel, chosen)
    baselines.value[channel, mode] = baselines.anchor[channel, mode] = value_db
    baselines.scale[channel, mode] = max(scale_db, baselines.settings.min_scale_db)
    baselines.learned[channel, mode], baselines.approved[channel, mode] = True, False


def _chosen(baselines: Baselines, mode: Mode) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    chosen = np.zeros(baselines.value.shape[1], bool)
    chosen[slice(None) if mode is None else mode] = True
    return chosen


def _learned(baselines: Baselines, channel: int, mode: Mode) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.asarray(_chosen(baselines, mode) & baselines.learned[channel])


def _empty(baselines: Baselines, channel: int, chosen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
    """Floors kept from before say nothing about what is to come."""
    baselines.ring[channel, chosen] = np.nan
    if chosen[0]:
        baselines.stamp[channel] = 0
    baselines.entries[channel, chosen], baselines.head[channel, chosen] = 0, 0
    baselines.since_us[channel, chosen] = 0
