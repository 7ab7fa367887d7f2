"""The invented plant: every series it publishes, drawn for any stretch of time.

Pure and seeded: `Plant(seed).samples(a, b)` is a function of its arguments. However the time is cut up,
the same samples come out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from hissmark.decode.columns import Batch
from hissmark.demo.acoustics import Acoustics
from hissmark.demo.noise import F64, I64, one_uniform, stream, uniform, wander
from hissmark.demo.story import Cycle, S, Story
from hissmark.demo.works import COMPRESSOR, PUMP, STRETCHES, STROKING_VALVE, Fitting, Stretch

UTILITIES = "utilities"
"""Where tags that belong to no single group are published."""

_PERCENTILE_SPAN_S = 60
_POSITION_S, _PRESSURE_S, _RUN_S = 20.0, 30.0, 10.0
_RADIO_S = 60.0

Draw = Callable[[I64], F64]


@dataclass(frozen=True, slots=True)
class Series:
    """One published series: its name, unit, group, cadence, and how its values come about."""

    name: str
    group: str
    unit: str
    interval_us: int
    phase_us: int
    jitter_key: int
    jitter_us: int
    draw: Draw

    @property
    def is_level(self) -> bool:
        return self.unit == "dB"

    def times(self, from_us: int, to_us: int) -> I64:
        """Its sampling times in [from_us, to_us), ascending, whole milliseconds."""
        first = (from_us - self.phase_us - self.jitter_us) // self.interval_us
        last = (to_us - self.phase_us) // self.interval_us
        n = np.arange(first, last + 1, dtype=np.int64)
        times = n * self.interval_us + self.phase_us
        if self.jitter_us:
            times += (uniform(self.jitter_key, n) * self.jitter_us).astype(np.int64) // 1000 * 1000
        return times[(times >= from_us) & (times < to_us)]


class Plant:
    """The Tarnwick algae works under one seed and one story.

    Attributes:
        series: everything published, in a fixed order; `Batch.series` of `samples` indexes it.
    """

    def __init__(self, seed: int = 1, story: Story | None = None) -> None:
        self.seed = seed
        self.story = story if story is not None else Story.quiet(seed)
        self.acoustics = tuple(Acoustics(stretch, self.story, seed) for stretch in STRETCHES)
        self.series: tuple[Series, ...] = tuple(self._all_series())
        self.names: tuple[str, ...] = tuple(s.name for s in self.series)

    def samples(self, from_us: int, to_us: int) -> Batch:
        """Every sample with from_us <= time < to_us, ordered by time (then by series)."""
        parts = [(i, s.times(from_us, to_us), s.draw) for i, s in enumerate(self.series)]
        series = np.concatenate([np.full(len(t), i, np.int32) for i, t, _ in parts])
        time_us = np.concatenate([t for _, t, _ in parts])
        value = np.concatenate([draw(t) for _, t, draw in parts])
        order = np.argsort(time_us, kind="stable")
        return Batch(series[order], time_us[order], value[order], np.zeros(len(order), np.uint8))

    def _all_series(self) -> Iterator[Series]:
        for acoustics in self.acoustics:
            for place, fitting in enumerate(acoustics.stretch.fittings):
                yield from self._levels(acoustics, place, fitting)
            yield from self._pressures(acoustics.stretch)
            yield from self._positions(acoustics.stretch)
        yield self._series(COMPRESSOR, UTILITIES, "", _RUN_S, _running(self.story.compressor))
        yield self._series(PUMP, UTILITIES, "", _RUN_S, _running(self.story.pump))

    def _levels(self, acoustics: Acoustics, place: int, fitting: Fitting) -> Iterator[Series]:
        group, name, every = acoustics.stretch.group, fitting.channel, fitting.interval_s
        if not fitting.percentiles:
            yield self._series(name, group, "dB", every, _level(acoustics, place))
            return
        for exceeded in (10, 50, 90):
            draw = _exceeded(acoustics, place, exceeded)
            yield self._series(f"{name}/L{exceeded}", group, "dB", every, draw, phase_of=name)

    def _pressures(self, stretch: Stretch) -> Iterator[Series]:
        for tag, mean_bar in (
            (stretch.upstream_tag, stretch.upstream_bar),
            (stretch.downstream_tag, stretch.downstream_bar),
        ):
            draw = _pressure(stream(self.seed, tag), mean_bar)
            yield self._series(tag, stretch.group, "bar", _PRESSURE_S, draw)

    def _positions(self, stretch: Stretch) -> Iterator[Series]:
        for fitting in stretch.fittings:
            if (tag := fitting.position_tag) is not None:
                moving = self.story.stroke if fitting.valve == STROKING_VALVE else None
                draw = _position(stream(self.seed, tag), moving)
                yield self._series(tag, stretch.group, "%", _POSITION_S, draw)

    def _series(
        self, name: str, group: str, unit: str, every_s: float, draw: Draw, phase_of: str | None = None
    ) -> Series:
        own = phase_of or name
        phase_us = int(one_uniform(stream(self.seed, "phase", own)) * every_s * 100) * (S // 100)
        jitter_us = 2 * S if every_s >= _RADIO_S else 0
        key = stream(self.seed, "jitter", own)
        return Series(name, group, unit, int(every_s * S), phase_us, key, jitter_us, draw)


def _level(acoustics: Acoustics, place: int) -> Draw:
    """Levels to a hundredth of a decibel, as a sensor sends them."""
    return lambda t_us: np.round(acoustics.level_db(place, t_us), 2)


def _exceeded(acoustics: Acoustics, place: int, percent: int) -> Draw:
    """The level exceeded for `percent` of the minute before each time."""
    back_us = np.arange(_PERCENTILE_SPAN_S, 0, -1, dtype=np.int64) * S

    def draw(t_us: I64) -> F64:
        if not len(t_us):
            return np.empty(0)
        moments = (t_us[:, None] - back_us[None, :]).ravel()
        levels = acoustics.level_db(place, moments).reshape(len(t_us), -1)
        return np.round(np.percentile(levels, 100 - percent, axis=1), 2)

    return draw


def _pressure(key: int, mean_bar: float) -> Draw:
    return lambda t_us: np.round(mean_bar * (1.0 + 0.01 * wander(key, t_us / S, 1800.0)), 3)


def _position(key: int, moving: Cycle | None) -> Draw:
    """Percent open: 0 give or take, 100 while the valve is stroked open."""

    def draw(t_us: I64) -> F64:
        noise = 0.2 * uniform(key, t_us // 1000)
        return np.round(noise if moving is None else noise + 99.0 * moving.on(t_us), 2)

    return draw


def _running(cycle: Cycle) -> Draw:
    return lambda t_us: cycle.on(t_us).astype(np.float64)
