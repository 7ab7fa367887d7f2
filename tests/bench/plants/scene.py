"""The sound field of one group while it is being put together. Powers are relative, [steps, channels]."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .draw import Spec
from .noise import F64, ar1, level, poisson_times, power, slow_walk
from .truth import Event

DAY_S = 86400.0


@dataclass
class Scene:
    """Accumulates powers and the record of what was added.

    Attributes:
        t_s: float64[steps] seconds of plant time. base: power of the background in its operating condition.
        extra: power of everything that comes and goes (leaks excepted). mode: int8[steps].
        open_: bool[steps, n]. bar: float64[steps] pressure difference.
    """

    spec: Spec
    t_s: F64
    learn_s: float
    base: F64 = field(init=False)
    extra: F64 = field(init=False)
    mode: np.ndarray = field(init=False)
    open_: np.ndarray = field(init=False)
    settled: np.ndarray = field(init=False)
    bar: F64 = field(init=False)
    events: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        shape = (len(self.t_s), self.spec.width)
        self.extra = np.zeros(shape)
        self.open_ = np.zeros(shape, np.bool_)
        self.settled = np.ones(shape, np.bool_)

    @property
    def end_s(self) -> float:
        return float(self.t_s[-1])

    def span(self, start_s: float, end_s: float) -> slice:
        """Grid steps within [start, end)."""
        a, b = np.searchsorted(self.t_s, (start_s, end_s))
        return slice(int(a), int(b))

    def note(
        self, kind: str, start_s: float, end_s: float, channels: tuple[int, ...] = (), detail: str = ""
    ) -> None:
        self.events.append(Event(kind, float(start_s), float(end_s), channels, detail))

    def spill(self, channel: int, level_db: float) -> F64:
        """Power at every channel of a source of this level at `channel`."""
        return power(level_db - self.spec.pipe.loss_db[channel])


def lay_background(rng: np.random.Generator, scene: Scene) -> None:
    """Background, operating conditions, diurnal swing, drift and the noise of the measurement."""
    spec, sound = scene.spec, scene.spec.sound
    scene.mode = _mode_sequence(rng, scene)
    levels = power(sound.background_db)[None, :] + power(sound.mode_db)
    scene.base = levels[scene.mode]
    steps, n = scene.base.shape
    swing = ar1(rng, steps, n, spec.grid_s, spec.sound.fast_tau_s, 1.0) * sound.fast_sd
    swing = swing + ar1(rng, steps, n, spec.grid_s, sound.slow_tau_s, 1.0) * sound.slow_sd
    swing += ar1(rng, steps, 1, spec.grid_s, 1800.0, sound.common_sd)
    swing += slow_walk(rng, steps, n, spec.grid_s, 6 * 3600.0, sound.drift_sd)
    swing += slow_walk(rng, steps, 1, spec.grid_s, 6 * 3600.0, sound.drift_sd)
    day = np.sin(2 * np.pi * (scene.t_s / DAY_S + rng.random()))[:, None]
    swing += day * (sound.diurnal_db / 2 + sound.diurnal_own_db / 2)
    scene.base *= power(swing)


def _mode_sequence(rng: np.random.Generator, scene: Scene) -> np.ndarray:
    """Operating condition of every step: visits of hours to days; the last mode may appear late."""
    hours = scene.spec.sound.mode_hours
    mode = np.zeros(len(scene.t_s), np.int8)
    at, now = 0.0, 0
    while at < scene.end_s and len(hours) > 1:
        stay = hours[now] * 3600.0 * rng.gamma(2.0, 0.5)
        mode[scene.span(at, at + stay)] = now
        seen = "seen while learning" if at < scene.learn_s else _seen(scene, now)
        if at > 0:
            scene.note("mode", at, min(at + stay, scene.end_s), (), f"{now} {seen}")
        at += stay
        now = int(rng.choice([k for k in range(len(hours)) if k != now]))
    return mode


def _seen(scene: Scene, mode: int) -> str:
    before = [e for e in scene.events if e.kind == "mode" and e.detail.startswith(f"{mode} ")]
    return "seen before" if before or mode == 0 else "never seen before"


def lay_pressure(rng: np.random.Generator, scene: Scene) -> None:
    """Pressure difference: slow wander; partial and total losses for minutes to a day."""
    spec = scene.spec
    walk = slow_walk(rng, len(scene.t_s), 1, spec.grid_s, 3600.0, 0.04)[:, 0]
    scene.bar = spec.difference_bar * np.exp(walk)
    for start in poisson_times(rng, spec.rates.pressure, 0.0, scene.end_s):
        total = spec.known.pressure and rng.random() < 0.5
        end = start + 3600.0 * float(np.exp(rng.uniform(np.log(0.3), np.log(24.0))))
        part = rng.uniform(0.0, 0.02) if total else rng.uniform(0.3, 0.9)
        weight = np.ones(len(scene.t_s))
        span = scene.span(start, end)
        weight[span] = part
        width = max(int(300 / spec.grid_s), 1)
        scene.bar *= np.convolve(np.pad(weight, width, mode="edge"), np.full(width, 1 / width), "same")[
            width:-width
        ]
        scene.note("pressure lost" if total else "pressure low", start, end, (), f"to {part:.0%}")


def bins_median(values: F64, per_bin: int) -> F64:
    """Median over each bin of `per_bin` steps; [bins, ...]."""
    bins = len(values) // per_bin
    shaped = values[: bins * per_bin].reshape(bins, per_bin, *values.shape[1:])
    return np.median(shaped, axis=1)


def bins_level(values: F64, per_bin: int) -> F64:
    """Median level in dB of powers over bins."""
    return level(bins_median(values, per_bin))
