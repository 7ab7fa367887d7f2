"""Blocks of ticks with random content."""

from __future__ import annotations

import numpy as np

from hissmark.store.blocks import CODES, LEVELS, MORE, OF_GROUP, Block

MINUTE_US = 60_000_000


def make(times, channels, seed=0) -> Block:
    """A block with random content, NaN and infinities among it."""
    rng = np.random.default_rng(seed)
    shape = (len(times), len(channels))
    columns = {}
    for name in LEVELS:
        column = rng.normal(30, 10, shape).astype(np.float32)
        column[rng.random(shape) < 0.1] = np.nan
        column[rng.random(shape) < 0.02] = np.inf
        columns[name] = column
    for name in CODES:
        columns[name] = rng.integers(0, 256, shape).astype(np.uint8)
    for name, kind in MORE.items():
        columns[name] = rng.integers(0, 200, shape).astype(kind)
    of_group = {name: rng.integers(0, 200, len(times)).astype(kind) for name, kind in OF_GROUP.items()}
    return Block.of(tuple(channels), np.array(times, np.int64), columns, of_group)
