"""From the sound at the sensors to what arrives: coupling, self-noise, faults, gaps, rounding, cadence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .noise import F32, F64, level, log_uniform, poisson_times, power
from .scene import Scene
from .truth import Fault

DAY_S = 86400.0
KINDS = (
    "loose",
    "loose slowly",
    "stuck",
    "saturated",
    "drifting",
    "noisy",
    "silent",
    "clock wrong",
    "swapped",
)
SHARES = (0.15, 0.13, 0.12, 0.1, 0.14, 0.12, 0.1, 0.08, 0.06)


@dataclass
class Heard:
    """What the sensors deliver: level_db float32[steps, n] (NaN: nothing), clock_s error of time."""

    level_db: F32
    clock_s: F32 | None
    faults: list[Fault]


def listen(rng: np.random.Generator, scene: Scene, sound: F64, learned_s: float, share: float) -> Heard:
    """Readings of all channels. `sound` is the total power, [steps, n]; faults come after `learned_s`."""
    spec = scene.spec
    faults = _draw_faults(rng, scene, learned_s, share)
    clock: F32 | None = None
    readings = level(sound)
    for fault in faults:
        if fault.kind in ("loose", "loose slowly", "swapped"):
            _hear_less(scene, fault, readings)
    readings = level(power(readings + spec.coupling_db) + power(spec.floor_db))
    for fault in faults:
        if fault.kind == "clock wrong":
            clock = np.zeros(readings.shape, np.float32) if clock is None else clock
            clock[scene.span(fault.start_s, fault.end_s), fault.channel] = float(fault.detail)
        else:
            _spoil(rng, scene, fault, readings)
    readings = np.round(readings / spec.quantum_db) * spec.quantum_db
    readings = readings.astype(np.float32)
    _gaps(rng, scene, readings)
    _thin(rng, scene, readings)
    return Heard(readings, clock, faults)


def _draw_faults(rng: np.random.Generator, scene: Scene, learned_s: float, share: float) -> list[Fault]:
    faults: list[Fault] = []
    busy: set[int] = set()
    for channel in map(int, np.flatnonzero(rng.random(scene.spec.width) < share)):
        kind = str(rng.choice(KINDS, p=SHARES))
        start = rng.uniform(min(learned_s + DAY_S, scene.end_s), scene.end_s)
        end = min(start + log_uniform(rng, 8 * 3600.0, 12 * DAY_S), scene.end_s)
        other = channel + 1 if channel + 1 < scene.spec.width else channel - 1
        members = (channel, other) if kind == "swapped" else (channel,)
        if end - start < 8 * 3600.0 or busy & set(members):
            continue
        busy |= set(members)
        faults.append(_fault(rng, scene, kind, channel, start, end, other))
        if kind == "swapped":
            faults.append(_fault(rng, scene, kind, other, start, end, channel))
    return faults


def _fault(
    rng: np.random.Generator, scene: Scene, kind: str, channel: int, start: float, end: float, other: int
) -> Fault:
    """One fault with its size in `detail` and the time from which it is plain, if it ever is."""
    spec = scene.spec
    plain: float | None = start
    detail = ""
    if kind in ("loose", "loose slowly"):
        less = rng.uniform(6.0, 25.0)
        ramp = 30.0 if kind == "loose" else rng.uniform(1.0, 4.0) * DAY_S
        detail = f"{less:.2f},{ramp:.0f}"
        background = spec.sound.background_db[channel] + spec.coupling_db[channel]
        left = level(power(background - less) + power(spec.floor_db[channel]))
        plain = start + ramp * min(6.0 / less, 1.0) if background - left >= 6.0 else None
    elif kind == "drifting":
        rate = rng.uniform(0.7, 4.0) * rng.choice([1.0, -1.0, -1.0])
        detail = f"{rate:.3f}"
        plain = start + 6.0 / abs(rate) * DAY_S
    elif kind == "noisy":
        detail = f"{rng.uniform(4.0, 10.0):.2f}"
    elif kind == "clock wrong":
        off = log_uniform(rng, 120.0, 6 * 3600.0) * rng.choice([1.0, -1.0])
        detail = f"{off:.0f}"
        plain = start if abs(off) >= 1800.0 else None
    elif kind == "swapped":
        heard = spec.sound.background_db
        detail = str(other)
        plain = start if abs(heard[other] - heard[channel]) >= 6.0 else None
    if plain is not None and end - plain < 6 * 3600.0:
        plain = None
    return Fault(kind, channel, start, end, plain, detail)


def _hear_less(scene: Scene, fault: Fault, readings: F64) -> None:
    """Faults of the coupling and of the mounting: they come before the sensor's own noise."""
    span = scene.span(fault.start_s, fault.end_s)
    if fault.kind == "swapped":
        here, there = fault.channel, int(fault.detail)
        if here < there:  # each swap is on record twice, once for either sensor
            readings[span, [here, there]] = readings[span, [there, here]]
        return
    less, ramp = (float(x) for x in fault.detail.split(","))
    readings[span, fault.channel] -= less * np.clip((scene.t_s[span] - fault.start_s) / ramp, 0.0, 1.0)


def _spoil(rng: np.random.Generator, scene: Scene, fault: Fault, readings: F64) -> None:
    """Faults of the sensor and its electronics, in what it reads."""
    span, c = scene.span(fault.start_s, fault.end_s), fault.channel
    count = span.stop - span.start
    if fault.kind == "stuck":
        readings[span, c] = readings[span.start, c]
    elif fault.kind == "saturated":
        readings[span, c] = rng.choice([85.0, 90.0, 96.0, 100.0]) - np.abs(
            rng.normal(0.0, rng.choice([0.0, 0.05]), count)
        )
    elif fault.kind == "drifting":
        readings[span, c] += np.clip(
            float(fault.detail) * (scene.t_s[span] - fault.start_s) / DAY_S, -25.0, 25.0
        )
    elif fault.kind == "noisy":
        readings[span, c] += rng.normal(0.0, float(fault.detail), count)
    elif fault.kind == "silent":
        readings[span, c] = np.nan


def _gaps(rng: np.random.Generator, scene: Scene, readings: F32) -> None:
    """Radio gaps of single channels and of the whole group's gateway: the samples are lost."""
    rates = scene.spec.rates
    for channel in range(scene.spec.width):
        for start in poisson_times(rng, rates.gaps, 0.0, scene.end_s):
            end = start + log_uniform(rng, 180.0, 6 * 3600.0)
            readings[scene.span(start, end), channel] = np.nan
            scene.note("radio gap", start, end, (channel,))
    for start in poisson_times(rng, rates.outages, 0.0, scene.end_s):
        end = start + log_uniform(rng, 300.0, 8 * 3600.0)
        readings[scene.span(start, end)] = np.nan
        scene.note("gateway gap", start, end)


def _thin(rng: np.random.Generator, scene: Scene, readings: F32) -> None:
    """Keep only the steps at which each channel measures; each has a phase of its own."""
    for channel, cadence in enumerate(scene.spec.cadence_s):
        every = int(cadence) // scene.spec.grid_s
        if every > 1:
            keep = np.zeros(len(readings), np.bool_)
            keep[int(rng.integers(every)) :: every] = True
            readings[~keep, channel] = np.nan
