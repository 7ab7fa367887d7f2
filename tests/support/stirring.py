"""An invented plant with all that could come out differently, and ways in which its samples arrive."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from hissmark.decode.columns import Batch, Flag
from hissmark.engine.register import Channel
from support.rig import US, Rig, reference, row_of_valves, take, times, valve, with_settings

SETTINGS = with_settings(
    baseline={"learn_s": 1800, "learn_windows": 3},
    alarms={"on_delay_s": 60, "off_delay_s": 120, "silent_delay_s": 0},
)
END_S = 7200.0
PATIENCE_S = SETTINGS.signal.patience_s
LATENESS_S = SETTINGS.signal.lateness_s


def channels() -> list[Channel]:
    """Two groups that share a pressure tag; fast, usual, slow and self-reporting sensors mixed."""
    tested = {"upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
    return [
        *row_of_valves(4, **tested),
        valve("21", "manifold", 0, closed_when="ZT-21 < 2", **tested),
        valve("22", "manifold", 1),
        reference("2", "manifold", 2),
    ]


CADENCE_S = {
    "AE-1": 2.0,
    "AE-2": 10.0,
    "AE-3": 60.0,
    "AE-4": 10.0,
    "AE-21": 10.0,
    "AE-22": 30.0,
    "RP-2": 10.0,
}


@cache
def plant(silence: bool = True) -> tuple[Rig, Batch]:
    """What happened: XV-2 passes for a while, XV-21 strokes, RP-2 is silent for 25 minutes."""
    rig = Rig(channels(), SETTINGS)
    samples, rng = rig.samples(), np.random.default_rng(7)
    spill = {"AE-1": 9.0, "AE-2": 22.0, "AE-3": 10.0, "AE-4": 4.0}
    for name, every in CADENCE_S.items():
        t = times(0.0, END_S, every)
        level = 24.0 + rng.normal(0.0, 0.5, len(t))
        level += np.where((t > 2700) & (t < 5700), spill.get(name, 0.0), 0.0)
        heard = (t < 3600) | (t > 5100) if silence and name == "RP-2" else t >= 0
        if name == "AE-22":  # a sensor that reports its own percentiles
            for suffix, more in (("/L10", 2.0), ("/L50", 0.0), ("/L90", -2.0)):
                samples.add(name + suffix, t[heard], level[heard] + more)
            continue
        samples.add(name, t[heard], level[heard])
    t = times(0.0, END_S, 30.0)
    samples.add("PT-1", t, 40.0).add("PT-2", t, np.where((t > 2900) & (t < 3000), 39.9, 5.0))
    samples.add("ZT-21", t, np.where((t > 3300) & (t < 3500), 80.0, 0.5))
    return rig, samples.batch()


@dataclass(frozen=True)
class Arrival:
    """One way in which the samples can arrive.

    Attributes:
        seed: draws each sample's own delay (within the lateness) and where the stream is cut.
        lag_s: constant delay of one sensor's way to the service (a slow gateway), and whose.
        cuts: into how many pieces. again: share of samples that the broker delivers twice.
    """

    seed: int
    jitter_s: float
    lag_s: float
    laggard: int
    cuts: int
    again: float

    def batches(self, everything: Batch) -> list[Batch]:
        rng = np.random.default_rng(self.seed)
        delay = rng.uniform(0.0, self.jitter_s, len(everything))
        delay += np.where(everything.series == self.laggard, self.lag_s, 0.0)
        arrives = everything.time_us + (delay * US).astype(np.int64)
        repeated = np.flatnonzero(rng.random(len(everything)) < self.again)
        rows = np.concatenate((np.arange(len(everything)), repeated))
        late_by = (rng.uniform(0.0, 600.0, len(repeated)) * US).astype(np.int64)
        order = np.argsort(np.concatenate((arrives, arrives[repeated] + late_by)), kind="stable")
        edges = np.sort(rng.integers(0, len(rows), self.cuts - 1)) if self.cuts > 1 else []
        return [take(everything, rows[part]) for part in np.split(order, edges)]


def run(batches: list[Batch]) -> Rig:
    rig = Rig(channels(), SETTINGS)
    for batch in batches:
        flags = rig.feed(batch)
        assert not (flags & ~np.uint8(Flag.LATE)).any()
    return rig


@cache
def in_one_piece(silence: bool = True) -> Rig:
    return run([plant(silence)[1]])
