"""One tick of 10,000 channels in 2,000 groups, and the state that each channel costs.

    PYTHONPATH=service python tests/bench/tick.py [--ticks N]

Prints median and 95th percentile of the time of a tick (window statistics, baseline, judgement, alarms)
while all is quiet and while 1 % and 10 % of the groups hear a leak, and the state per channel, each with its
ratio to the limit: above 1 is better. Exit code 1 if a median or the state misses it.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from collections.abc import Iterator

import numpy as np

from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.engine.settings import BaselineSettings, CoreSettings

GROUPS, SIZE = 2_000, 5
CHANNELS = GROUPS * SIZE
LIMIT_MS, LIMIT_BYTES = 100.0, 4096.0
START_US = 1_772_323_200_000_000
TICK_US, SLOT_US = 60_000_000, 10_000_000
LEAK_DB = np.array([10.0, 22.0, 34.0, 22.0, 10.0])
"""What a leak amid five valves adds where it is heard, dB: a plain case."""
QUICK = CoreSettings(baseline=BaselineSettings(learn_s=3600, learn_windows=5))
LEARNED_TICKS = 90


def register() -> Register:
    return Register.of(
        Channel(f"AE-{g}-{i}", f"AE-{g}-{i}", "valve", f"G-{g}", i, valve=f"XV-{g}-{i}")
        for g in range(GROUPS)
        for i in range(SIZE)
    )


class Plant:
    """One sample in ten seconds from every channel; some groups hear a leak."""

    def __init__(self, layout: Layout) -> None:
        index = layout.series_index()
        self.series = np.tile(np.array([index[c.source] for c in layout.channels], np.int32), 6)
        self.rng = np.random.default_rng(1)
        self.base = self.rng.uniform(20.0, 50.0, CHANNELS)
        self.extra = np.zeros(CHANNELS)
        self.tick = 0

    def stir(self, share: float) -> None:
        """Let a leak begin in this share of the groups."""
        leaking = np.zeros((GROUPS, 1))
        leaking[self.rng.permutation(GROUPS)[: int(share * GROUPS)]] = 1.0
        self.extra = (leaking * LEAK_DB).reshape(-1)

    def batch(self) -> Batch:
        """The samples of the next minute."""
        at = START_US + self.tick * TICK_US + np.repeat(np.arange(6) * SLOT_US, CHANNELS)
        level = np.tile(self.base + self.extra, 6) + self.rng.normal(0.0, 0.3, 6 * CHANNELS)
        self.tick += 1
        return Batch(self.series, at, level, np.zeros(6 * CHANNELS, np.uint8))


def timed(engine: Engine, plant: Plant, ticks: int) -> Iterator[float]:
    """Milliseconds of each tick."""
    for _ in range(ticks):
        engine.accept(plant.batch())
        began = time.perf_counter()
        closed = len(engine.advance())
        if closed:
            yield (time.perf_counter() - began) * 1e3 / closed


def state_bytes(layout: Layout) -> float:
    """What a new engine holds, per channel."""
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    engine = Engine(layout)
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(engine.layout.channels) == CHANNELS
    return held / CHANNELS


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--ticks", type=int, default=30, help="ticks measured for each figure")
    wanted = parser.parse_args().ticks
    layout = Layout.of(register(), QUICK)
    each = state_bytes(layout)
    engine = Engine(layout)
    plant = Plant(layout)
    for _ in timed(engine, plant, LEARNED_TICKS):
        pass
    missed = False
    for share in (0.0, 0.01, 0.10):
        plant.stir(share)
        found = np.array(list(timed(engine, plant, wanted + 12 * (share > 0)))[-wanted:])
        median, high = np.median(found), np.percentile(found, 95)
        missed |= bool(median > LIMIT_MS)
        name = f"tick, {share:.0%} of the groups stirred" if share else "tick, all quiet"
        print(f"{name:32} median {median:6.1f} ms  p95 {high:6.1f} ms  limit/median {LIMIT_MS / median:5.2f}")
    alarms = sum(a.alarm == "passing" for a in engine.alarms())
    print(f"{'state of a channel':32} {each:6.0f} bytes, limit/state {LIMIT_BYTES / each:5.2f}")
    print(f"({CHANNELS} channels in {GROUPS} groups; {alarms} passing alarms stand at the end)")
    return int(missed or each > LIMIT_BYTES)


if __name__ == "__main__":
    sys.exit(main())
