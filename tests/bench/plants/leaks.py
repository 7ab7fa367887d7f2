"""Leaks: when, where, how loud, how they grow, what the pressure does to them, and when they are repaired."""

from __future__ import annotations

import numpy as np

from .noise import F64, ar1, log_uniform, power
from .scene import Scene
from .truth import Leak

DAY_S = 86400.0


def lay_leaks(rng: np.random.Generator, scene: Scene, share: float) -> tuple[list[Leak], list[F64]]:
    """Draw the group's leaks. Returns them and the power of each, [steps, channels]."""
    leaks = _schedule(rng, scene) if rng.random() < share else []
    return leaks, [_sound_of(rng, scene, leak) for leak in leaks]


def _schedule(rng: np.random.Generator, scene: Scene) -> list[Leak]:
    valves = np.flatnonzero(scene.spec.pipe.valve)
    leaks: list[Leak] = []
    early = rng.random() < 0.08
    at = rng.uniform(0.0, scene.learn_s) if early else scene.learn_s + rng.exponential(5 * DAY_S) + 6 * 3600.0
    while at < scene.end_s - 6 * 3600.0 and len(leaks) < 6:
        end = min(at + log_uniform(rng, 3 * 3600.0, 15 * DAY_S), scene.end_s)
        first, second = _two(rng, scene, valves)
        leaks.append(_draw(rng, int(first), at, end, at < scene.learn_s))
        if rng.random() < 0.4:
            begin = at + rng.uniform(0.0, 0.6) * (end - at)
            until = end if rng.random() < 0.5 else min(end + log_uniform(rng, 3600.0, 3 * DAY_S), scene.end_s)
            leaks.append(_draw(rng, int(second), begin, until, begin < scene.learn_s))
            end = until
        at = end + DAY_S + rng.exponential(6 * DAY_S)
    return leaks


def _two(rng: np.random.Generator, scene: Scene, valves: np.ndarray) -> tuple[int, int]:
    """Two different valves, in half of the cases the better separated of two draws."""
    first, *rest = rng.permutation(valves)[:3]
    loss = scene.spec.pipe.loss_db[first, rest]
    return int(first), int(rest[int(loss.argmax())] if rng.random() < 0.5 else rest[0])


def _draw(rng: np.random.Generator, channel: int, start: float, end: float, learning: bool) -> Leak:
    sudden = rng.random() < 0.45
    ramp = rng.uniform(1.0, 120.0) if sudden else log_uniform(rng, 3600.0, 14 * DAY_S)
    slope = float(rng.uniform(15.0, 20.0))
    return Leak(
        channel, float(start), float(end), float(rng.uniform(3.0, 30.0)), float(ramp), slope, learning
    )


def _sound_of(rng: np.random.Generator, scene: Scene, leak: Leak) -> F64:
    """Power of one leak at every channel: grows from 10 dB under the background to its peak, then stands."""
    spec = scene.spec
    span = scene.span(leak.start_s, leak.end_s)
    t = scene.t_s[span]
    grown = np.clip((t - leak.start_s) / leak.ramp_s, 0.0, 1.0)
    over = -10.0 + (leak.peak_db + 10.0) * grown
    over += leak.pressure_slope * np.log10(np.maximum(scene.bar[span] / spec.difference_bar, 1e-4))
    over += ar1(rng, len(t), 1, spec.grid_s, log_uniform(rng, 60.0, 1800.0), rng.uniform(0.1, 0.8))[:, 0]
    there = power(over) * ~scene.open_[span, leak.channel]
    sound = np.zeros_like(scene.extra)
    sound[span] = (
        there[:, None] * scene.spill(leak.channel, float(spec.sound.background_db[leak.channel]))[None, :]
    )
    return sound
