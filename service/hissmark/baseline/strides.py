"""Floors of many strides taken in at once, where all they do is let learned backgrounds follow.

`Baselines.learn` decides anew at every stride what is to be done, which for a few channels costs far more
than doing it. Over a calm stretch the answer is always the same: remember the floor, follow it a little.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.baseline.bank import RING, RING_RANGE_DB, Baselines
from hissmark.baseline.following import Reach, between, followed, since_s, usual_with

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]


class Strides(NamedTuple):
    """What the windows say at strides one behind the other; arrays [strides, channels].

    Attributes:
        floor, spread, step: float32, dB. last_us: int64, newest sample.
        fit: bool, under test conditions and steady, but for the spread.
    """

    floor: F32
    spread: F32
    step: F32
    last_us: I64
    fit: Bools


class Course(NamedTuple):
    """What was known before each stride, and behind the last; float32[strides + 1, channels].

    Attributes:
        value: baseline in the present mode, dB. spread, step: what is usual.
        fit: bool[strides, channels], as in `Strides`, of usual spread.
    """

    value: F32
    spread: F32
    step: F32
    fit: Bools


def learn_strides(
    bank: Baselines, at_us: I64, strides: Strides, mode: Ints, free: Bools, spread_limit_db: F32
) -> Course | None:
    """Learn as `Baselines.learn` would at one stride after the other, in groups that stay calm throughout.

    Args:
        at_us: int64[strides], each a stride of `bank`. mode: int[channels], present mode of each.
        free: bool[groups], as there. spread_limit_db: float32[channels], over the usual spread.

    Returns:
        None, and nothing is learned, where there would be more to do than to follow.
    """
    rows = np.arange(len(mode))
    ready = strides.fit & ~np.isnan(strides.floor)
    if not bank.learned[rows, mode][ready.any(axis=0)].all() or not _nothing_strange(bank, free):
        return None
    ready &= ~bank.held[rows, mode]
    usual, taken = _usual(bank, strides, ready & _newer(bank, strides.last_us), spread_limit_db)
    taken_us = _taken_us(bank, strides.last_us, taken)
    wide = strides.spread > spread_limit_db + usual[:-1, 0]
    if ((ready & ~wide & (strides.last_us > taken_us[:-1])) != taken).any():
        return None  # a floor passed over left its samples to a later stride
    value = _values(bank, strides, mode, taken, since_s(strides.last_us, taken_us[:-1]))
    _keep(bank, at_us, strides, mode, taken)
    bank.taken_us[...], bank.value[rows, mode] = taken_us[-1], value[-1]
    bank.usual_spread[...], bank.usual_step[...] = usual[-1]
    return Course(value, usual[:, 0], usual[:, 1], strides.fit & ~wide)


def _nothing_strange(bank: Baselines, free: Bools) -> bool:
    """Whether calm would end nothing, and no state that came back waits to become a mode."""
    waiting = np.flatnonzero(bank.strangers.fresh).tolist()
    return bank.strangers.quiet(bank.group_of) and not any(
        len(bank.unused(group, bool(free[group]))) for group in waiting
    )


def _newer(bank: Baselines, last_us: I64) -> Bools:
    """Where there are samples that the stride before did not have, bool[strides, channels]."""
    return np.asarray(last_us > np.concatenate((bank.taken_us[None], last_us[:-1])), bool)


def _usual(bank: Baselines, strides: Strides, ready: Bools, limit_db: F32) -> tuple[F32, Bools]:
    """Usual spread and step before each stride and behind the last, float32[strides + 1, 2, channels]; and
    which of the `ready` floors are taken, bool[strides, channels]: those of usual spread."""
    usual = np.empty((len(ready) + 1, 2, ready.shape[1]), np.float32)
    usual[0] = bank.usual_spread, bank.usual_step
    new = np.stack((strides.spread, np.square(strides.step)), axis=1)
    moves, taken = ~np.isnan(new), ready.copy()
    moves[:, 0] = True
    for k in range(len(ready)):
        taken[k] &= ~(new[k, 0] > limit_db + usual[k, 0])
        usual[k + 1] = np.where(taken[k] & moves[k], usual_with(usual[k], new[k]), usual[k])
    return usual, taken


def _taken_us(bank: Baselines, last_us: I64, taken: Bools) -> I64:
    """Newest sample of the floors taken before each stride, int64[strides + 1, channels]."""
    each = np.concatenate((bank.taken_us[None], np.where(taken, last_us, 0)))
    return np.asarray(np.maximum.accumulate(each, axis=0), np.int64)


def _values(bank: Baselines, strides: Strides, mode: Ints, taken: Bools, since: F64) -> F32:
    """Baselines before each stride and behind the last, float32[strides + 1, channels]."""
    rows = np.arange(len(mode))
    value = np.empty((len(taken) + 1, len(mode)), np.float32)
    value[0] = bank.value[rows, mode]
    near, share, most, low, high = Reach.of(bank.scale[rows, mode], bank.anchor[rows, mode], since, bank.pace)
    for k in range(len(taken)):
        moved = followed(value[k], strides.floor[k], Reach(near, share[k], most[k], low, high))
        value[k + 1] = np.where(taken[k], moved, value[k])
    return value


def _keep(bank: Baselines, at_us: I64, strides: Strides, mode: Ints, taken: Bools) -> None:
    """Rings, counts and times as the floors leave them that were `taken`, bool[strides, channels]."""
    if not taken.any():
        return
    stride, row = np.nonzero(taken)
    count = np.count_nonzero(taken, axis=0)
    rows = np.flatnonzero(count)
    cell = np.arange(len(mode)) * bank.value.shape[1] + mode
    place = (bank.head.take(cell)[row] + np.cumsum(taken, axis=0)[stride, row] - 1) % RING
    # strides ascend: where a ring comes round, the later floor is written later and stays
    bank.ring.put(cell[row] * RING + place, between(strides.floor[stride, row], *RING_RANGE_DB))
    first = mode[row] == 0
    number = (at_us[stride[first]] // bank.stride_us) % 65536
    bank.stamp.put(row[first] * RING + place[first], number)
    mine = cell[rows]
    begun = np.where(bank.entries.take(mine) > 0, bank.since_us.take(mine), at_us[taken.argmax(axis=0)[rows]])
    bank.since_us.put(mine, begun)
    bank.head.put(mine, (bank.head.take(mine) + count[rows]) % RING)
    bank.entries.put(mine, bank.entries.take(mine) + count[rows])
