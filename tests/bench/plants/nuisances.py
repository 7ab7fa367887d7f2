"""Everything audible that is not a leak. Each function adds power to the scene and notes what it did."""

from __future__ import annotations

import numpy as np

from .noise import ar1, edges, level, log_uniform, poisson_times, power
from .scene import Scene


def lay_nuisances(rng: np.random.Generator, scene: Scene) -> None:
    """All of them, in fixed order, so that a seed gives one plant."""
    for lay in (_outside, _even, _open_valves, _traps, _knocks, _rain, _vehicles):
        lay(rng, scene)


def _outside(rng: np.random.Generator, scene: Scene) -> None:
    """Noise that enters at one end and is carried along by the fluid with little loss."""
    spec, n = scene.spec, scene.spec.width
    quiet = float(np.median(spec.sound.background_db))
    coupling = rng.normal(0.0, 1.2, (2, n))
    fall = rng.uniform(0.0, 0.8, (2, n))
    for start in poisson_times(rng, spec.rates.outside, 0.0, scene.end_s):
        end_s = start + log_uniform(rng, 300.0, 3 * 86400.0)
        end = int(rng.integers(2))
        order = np.arange(n) if end == 0 else np.arange(n)[::-1]
        carried = np.empty(n)
        carried[order] = np.cumsum(fall[end][order]) - fall[end][order[0]]
        carried[~spec.pipe.valve] -= 2.0
        strength = quiet + rng.uniform(3.0, 22.0)
        span = scene.span(start, end_s)
        t = scene.t_s[span]
        if not len(t):
            continue
        ramp = rng.uniform(30.0, 900.0)
        swing = ar1(rng, len(t), 1, spec.grid_s, 600.0, rng.uniform(0.2, 1.0))
        shape = edges(t, start, end_s, ramp, ramp)[:, None] * power(swing)
        scene.extra[span] += shape * power(strength - carried + coupling[end])[None, :]
        scene.note(
            "outside noise",
            start,
            end_s,
            (),
            f"end {end}, {strength - quiet:.0f} dB over the middle background",
        )


def _even(rng: np.random.Generator, scene: Scene) -> None:
    """The whole group shifts by nearly the same number of decibels."""
    for start in poisson_times(rng, scene.spec.rates.even, 0.0, scene.end_s):
        end = start + log_uniform(rng, 1800.0, 4 * 86400.0)
        span = scene.span(start, end)
        shift = rng.uniform(1.0, 6.0) * rng.choice([1.0, 1.0, -1.0])
        each = shift + rng.normal(0.0, 0.3, scene.spec.width)
        weight = edges(scene.t_s[span], start, end, 300.0, 300.0)[:, None]
        scene.base[span] *= power(weight * each)
        scene.note("even shift", start, end, (), f"{shift:+.1f} dB")


def _open_valves(rng: np.random.Generator, scene: Scene) -> None:
    """Valves that open, flow and close again: loud, and known where the position is."""
    spec = scene.spec
    for channel in np.flatnonzero(spec.rates.opens > 0):
        known = bool(spec.known.position[channel])
        free = 0.0
        for start in poisson_times(rng, float(spec.rates.opens[channel]), 0.0, scene.end_s):
            if start < free:
                continue
            if known:
                end = start + log_uniform(rng, 120.0, 12 * 3600.0)
            else:
                end = start + (
                    log_uniform(rng, 60.0, 240.0)
                    if rng.random() < 0.9
                    else log_uniform(rng, 1800.0, 6 * 3600.0)
                )
            free = end + 1800.0
            _flow(rng, scene, int(channel), start, end)
            scene.note(
                "open valve" if known else "open valve, position not known",
                start,
                end + 300.0,
                (),
                str(channel),
            )


def _flow(rng: np.random.Generator, scene: Scene, channel: int, start: float, end: float) -> None:
    """Sound of one opening: travel of half a minute to two, decay of a few minutes after closing."""
    spec = scene.spec
    decay = rng.uniform(8.0, 45.0)
    span = scene.span(start, end + 8 * decay)
    t = scene.t_s[span]
    if not len(t):
        return
    strength = float(spec.sound.background_db[channel]) + rng.uniform(15.0, 40.0)
    rising = np.clip((t - start) / rng.uniform(30.0, 120.0), 0.02, 1.0)
    fading = np.exp(-np.maximum(t - end, 0.0) / decay)
    swing = power(ar1(rng, len(t), 1, spec.grid_s, 300.0, rng.uniform(0.3, 1.5))[:, 0])
    scene.extra[span] += (rising * fading * swing)[:, None] * scene.spill(channel, strength)[None, :]
    scene.open_[scene.span(start, end), channel] = True
    scene.settled[scene.span(start, end + 600.0), channel] = False


def _traps(rng: np.random.Generator, scene: Scene) -> None:
    """Cycling steam traps near one channel, faint at a neighbour."""
    spec, n = scene.spec, scene.spec.width
    if rng.random() > 0.35:
        return
    for _ in range(int(rng.integers(1, 3))):
        channel = int(rng.integers(n))
        period, duty = rng.uniform(120.0, 600.0), rng.uniform(0.05, 0.5)
        at = np.full(n, -99.0)
        at[channel] = spec.sound.background_db[channel] + rng.uniform(5.0, 22.0)
        if n > 1 and rng.random() < 0.6:
            other = channel + 1 if channel + 1 < n else channel - 1
            at[other] = at[channel] - rng.uniform(5.0, 15.0)
        starts = [0.0] if rng.random() < 0.5 else list(poisson_times(rng, 0.2, 0.0, scene.end_s))
        for start in starts:
            end = scene.end_s if start == 0.0 else start + log_uniform(rng, 3600.0, 5 * 86400.0)
            span = scene.span(start, end)
            cycles = int((end - start) / period * 1.3) + 10
            turns = start + np.cumsum(period * rng.normal(1.0, 0.05, cycles).clip(0.8, 1.2))
            index = np.clip(np.searchsorted(turns, scene.t_s[span]), 1, cycles - 1)
            phase = (scene.t_s[span] - turns[index - 1]) / period
            on = (phase >= 0.0) & (phase < duty)
            scene.extra[span] += on[:, None] * power(at)[None, :]
            scene.note("steam trap", start, end, (channel,), f"every {period:.0f} s, {duty:.0%} on")


def _knocks(rng: np.random.Generator, scene: Scene) -> None:
    """Blows of a second or so: one step of the grid, loud at one place, spilling."""
    spec = scene.spec
    times = poisson_times(rng, spec.rates.knocks, 0.0, scene.end_s)
    step = np.searchsorted(scene.t_s, times).clip(0, len(scene.t_s) - 1)
    channel = rng.integers(0, spec.width, len(times))
    strength = spec.sound.background_db[channel] + rng.uniform(8.0, 30.0, len(times))
    np.add.at(scene.extra, step, power(strength[:, None] - spec.pipe.loss_db[channel]))


def _rain(rng: np.random.Generator, scene: Scene) -> None:
    """Drops: the top of the signal everywhere, the floor by little and evenly."""
    n = scene.spec.width
    for start in poisson_times(rng, scene.spec.rates.rain, 0.0, scene.end_s):
        end = start + log_uniform(rng, 1200.0, 8 * 3600.0)
        span = scene.span(start, end)
        t = scene.t_s[span]
        weight = edges(t, start, end, 600.0, 1200.0)[:, None]
        floor, top = rng.uniform(0.0, 3.0), rng.uniform(0.2, 4.0)
        drops = rng.exponential(1.0, (len(t), n)) ** 2
        scene.extra[span] += (
            weight * scene.base[span] * (power(floor) - 1.0 + top * drops * (rng.random((len(t), n)) < 0.5))
        )
        scene.note("rain", start, end, (), f"floor {floor:.1f} dB")


def _vehicles(rng: np.random.Generator, scene: Scene) -> None:
    """Something drives past: a minute or a few, at some channels."""
    spec, n = scene.spec, scene.spec.width
    for middle in poisson_times(rng, spec.rates.vehicles, 0.0, scene.end_s):
        width = rng.uniform(20.0, 90.0)
        span = scene.span(middle - 3 * width, middle + 3 * width)
        shape = np.exp(-0.5 * ((scene.t_s[span] - middle) / width) ** 2)
        near = np.abs(np.arange(n) - rng.uniform(0, n)) * rng.uniform(0.5, 4.0)
        strength = float(level(power(spec.sound.background_db).mean())) + rng.uniform(3.0, 18.0)
        scene.extra[span] += shape[:, None] * power(strength - near)[None, :]
