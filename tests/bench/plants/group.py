"""One group of valves simulated from end to end: the samples, the register rows, the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hissmark.engine.register import Channel, Condition

from .draw import HARSH, ORDINARY, Spec, draw_spec
from .leaks import lay_leaks
from .noise import F32, F64
from .nuisances import lay_nuisances
from .scene import DAY_S, Scene, bins_level, bins_median, lay_background, lay_pressure
from .sensors import Heard, listen
from .truth import BIN_S, Bools, Leak, Truth

MIN_BAR = 1.0
TAG_EVERY_S = 300


@dataclass(frozen=True)
class Mix:
    """How much goes wrong. Shares of groups with leaks and of channels with a fault in the run."""

    leaks: float = 0.5
    faults: float = 0.1
    harsh: bool = False


@dataclass
class GroupRun:
    """A simulated group.

    Attributes:
        level_db: float32[steps, n], NaN where nothing was measured. phase_s: float64[n], added to time.
        clock_s: float32[steps, n] error of the sensors' time, or None. tags: process series, (time_s, value).
    """

    index: int
    spec: Spec
    channels: tuple[Channel, ...]
    level_db: F32
    phase_s: F64
    clock_s: F32 | None
    tags: dict[str, tuple[F64, F64]]
    condition: tuple[str, str] | None
    open_bins: Bools
    low_bins: Bools
    truth: Truth

    @property
    def name(self) -> str:
        return f"G{self.index:03d}"


def simulate(seed: int, index: int, days: float, mix: Mix | None = None) -> GroupRun:
    """Simulate group `index` of plant `seed`: depends on nothing else, so it can be replayed alone."""
    mix = mix or Mix()
    # a stream for each part: the same plant with and without its leaks differs by the leaks alone
    drawn, laid, disturbed, leaked, sensed, told = np.random.default_rng([seed, index, 7919]).spawn(6)
    spec = draw_spec(drawn, HARSH if mix.harsh else ORDINARY)
    steps = int(days * DAY_S / BIN_S) * (BIN_S // spec.grid_s)
    learn_s = max(2 * DAY_S, 200.0 * float(spec.cadence_s.max()))
    scene = Scene(spec, np.arange(steps) * float(spec.grid_s), learn_s)
    lay_background(laid, scene)
    lay_pressure(laid, scene)
    lay_nuisances(disturbed, scene)
    leaks, sounds = lay_leaks(leaked, scene, mix.leaks)
    quiet = scene.base + scene.extra
    total = quiet + sum(sounds) if sounds else quiet
    heard = listen(sensed, scene, total, learn_s, mix.faults)
    truth = _truth(scene, heard, leaks, sounds, quiet)
    per_bin = BIN_S // spec.grid_s
    return GroupRun(
        index, spec, _register_rows(told, index, spec), heard.level_db,
        told.uniform(0.0, spec.grid_s, spec.width), heard.clock_s,
        _tags(told, index, scene), _condition(index, spec),
        _any(~scene.settled, per_bin), bins_median(scene.bar, per_bin) < MIN_BAR, truth,
    )  # fmt: skip


def _any(mask: Bools, per_bin: int) -> Bools:
    bins = len(mask) // per_bin
    return mask[: bins * per_bin].reshape(bins, per_bin, -1).any(axis=1)


def _truth(scene: Scene, heard: Heard, leaks: list[Leak], sounds: list[F64], quiet: F64) -> Truth:
    spec = scene.spec
    per_bin = BIN_S // spec.grid_s
    reached = _heard_bins(scene, heard, per_bin)
    settled = ~_any(~scene.settled, per_bin)
    enough = (bins_median(scene.bar, per_bin) >= MIN_BAR)[:, None]
    test = reached & settled & enough
    learned = _learned(spec, test)
    well = np.ones_like(test)
    for fault in heard.faults:
        well[int(fault.start_s // BIN_S) : int(fault.end_s // BIN_S) + 1, fault.channel] = False
    starts = np.arange(len(test))[:, None] * BIN_S
    test &= well & (starts >= learned)
    background = bins_level(quiet, per_bin)
    for leak, sound in zip(leaks, sounds, strict=True):
        c = leak.channel
        leak.loudest_db = (bins_level(sound, per_bin) - background).max(axis=1).astype(np.float32)
        others = sum((s[:, c] for s in sounds if s is not sound), np.zeros(len(quiet)))
        own = bins_level(sound[:, c], per_bin)
        leak.stand_db = (own - background[:, c]).astype(np.float32)
        leak.clear_db = (own - bins_level(quiet[:, c] + others, per_bin)).astype(np.float32)
        leak.testable = test[:, c]
    flowing = _any(scene.open_, per_bin) & ~spec.known.position
    return Truth(leaks, heard.faults, scene.events, learned, reached, flowing, spec.pipe.loss_db)


def _heard_bins(scene: Scene, heard: Heard, per_bin: int) -> Bools:
    """Bins in which a channel is fresh: a sample in them, or within 1.5 of its intervals before."""
    got = _any(~np.isnan(heard.level_db), per_bin)
    for c, cadence in enumerate(scene.spec.cadence_s):
        for back in range(1, int(np.ceil(1.5 * cadence / BIN_S))):
            got[back:, c] |= _any(~np.isnan(heard.level_db[:, c : c + 1]), per_bin)[:-back, 0]
    return got


def _learned(spec: Spec, test: Bools) -> F64:
    """Seconds at which each channel has had 48 hours and 200 samples under test conditions."""
    need = np.maximum(2 * DAY_S, 200.0 * spec.cadence_s) / BIN_S
    had = np.cumsum(test, axis=0)
    done = had >= need
    return np.where(done.any(axis=0), (np.argmax(done, axis=0) + 1.0) * BIN_S, np.inf)


def _register_rows(rng: np.random.Generator, index: int, spec: Spec) -> tuple[Channel, ...]:
    rows = []
    named = rng.random() < 0.3
    for i in range(spec.width):
        valve = bool(spec.pipe.valve[i])
        distance, joints = spec.pipe.distance_m[i], spec.pipe.joints[i]
        pressured = valve and spec.known.pressure
        rows.append(
            Channel(
                name=f"AE-{index:03d}{i}",
                source=f"AE-{index:03d}{i}",
                kind="valve" if valve else "reference",
                group=f"G{index:03d}",
                position=i + 1,
                valve=f"V-{index:03d}{i}" if valve else None,
                distance_m=None if np.isnan(distance) else float(distance),
                joints=None if np.isnan(joints) else int(joints),
                closed_when=Condition(f"ZT-{index:03d}{i}", "<", 2.0) if spec.known.position[i] else None,
                upstream_pressure=f"PT-{index:03d}U" if pressured else None,
                downstream_pressure=f"PT-{index:03d}D" if pressured else None,
                interval_s=float(spec.cadence_s[i]) if named else None,
            )
        )
    return tuple(rows)


def _condition(index: int, spec: Spec) -> tuple[str, str] | None:
    if not spec.known.condition or len(spec.sound.mode_hours) < 2:
        return None
    return f"machine {index:03d}", f"KI-{index:03d} > 50"


def _tags(rng: np.random.Generator, index: int, scene: Scene) -> dict[str, tuple[F64, F64]]:
    """Process series: every five minutes, and at once when something switches."""
    spec, found = scene.spec, {}
    for i in np.flatnonzero(spec.known.position):
        moved = scene.open_[:, i].astype(np.float64) * 100.0
        found[f"ZT-{index:03d}{i}"] = _series(rng, scene, moved, 0.2)
    if spec.known.pressure:
        low = rng.uniform(0.5, 3.0)
        found[f"PT-{index:03d}D"] = _series(rng, scene, np.full(len(scene.t_s), low), 0.005)
        found[f"PT-{index:03d}U"] = _series(rng, scene, scene.bar + low, 0.005)
    if _condition(index, spec) is not None:
        found[f"KI-{index:03d}"] = _series(rng, scene, (scene.mode == 1) * 100.0, 0.3)
    return found


def _series(rng: np.random.Generator, scene: Scene, values: F64, sd: float) -> tuple[F64, F64]:
    every = TAG_EVERY_S // scene.spec.grid_s
    jump = np.abs(np.diff(values, prepend=values[0])) > np.maximum(0.1 * np.abs(values), 0.5)
    keep = jump.copy()
    keep[::every] = True
    at = np.flatnonzero(keep)
    return scene.t_s[at] + 0.5, values[at] + rng.normal(0.0, sd, len(at))
