"""What the copies of a stretch hold is what the ring of each tick would hold."""

from __future__ import annotations

import numpy as np

from hissmark.engine.stretch_windows import SlidingWindows
from hissmark.signal.slots import Slots, condense
from hissmark.signal.windows import SlotRing

CHANNELS, SIZE, TICKS = 3, 7, 12
TICK_US, SLOT_US = 60_000_000, 10_000_000
START_US = 1_772_323_200_000_000


def heard(rng: np.random.Generator, start: int, ticks: int) -> Slots:
    """Levels of some ticks; the last channel measures rarely."""
    every = [(c, t) for c in range(CHANNELS) for t in range(0, ticks * 60, 240 if c == 2 else 20)]
    channel = np.array([c for c, _ in every], np.int32)
    time_us = START_US + start * TICK_US + np.array([t for _, t in every], np.int64) * 1_000_000
    value = rng.normal(30.0, 2.0, len(every))
    return condense(channel, np.zeros(len(every), np.int32), time_us, value, SLOT_US)


def picked(slots: Slots, rows: np.ndarray) -> Slots:
    return Slots(*(column[rows] for column in slots))


def test_each_copy_holds_what_the_ring_would() -> None:
    rng = np.random.default_rng(1)
    ring = SlotRing(CHANNELS, SIZE)
    ring.push(heard(rng, 0, 3))
    later = np.arange(TICKS, dtype=np.int64) * TICK_US
    slots = heard(rng, 3, TICKS)
    tick = (slots.time_us - START_US) // TICK_US - 3
    order = np.argsort(tick, kind="stable")
    slots, tick = picked(slots, order), tick[order]
    sliding = SlidingWindows(CHANNELS, SIZE, later)
    sliding.fill(ring, slots, tick, slots.channel.astype(np.intp))
    channels = np.arange(CHANNELS)
    for k in range(TICKS):
        ring.push(picked(slots, np.flatnonzero(tick == k)))
        time_us, low = ring.held_by(channels)
        mine_us, mine = sliding.held_by(k * CHANNELS + channels[None])
        for c in range(CHANNELS):
            seen = np.where(time_us[c] > 0, time_us[c] - later[k], 0)
            have, want = np.argsort(mine_us[0, c], kind="stable"), np.argsort(seen, kind="stable")
            np.testing.assert_array_equal(mine_us[0, c][have], seen[want])
            np.testing.assert_array_equal(mine[0, c][have], low[c][want])
