"""Many groups as one plant: the register, and the samples in batches in order of arrival."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from hissmark.decode.columns import Batch, Flag
from hissmark.engine.register import Register
from hissmark.engine.settings import ConditionRule, CoreSettings

from .group import GroupRun

START_US = 1_767_600_000_000_000
"""2026-01-05T08:00:00Z: plant time zero."""
MAX_AHEAD_S = 3600.0


@dataclass
class Plant:
    """Simulated groups that are fed to one engine."""

    seed: int
    groups: list[GroupRun]

    @property
    def register(self) -> Register:
        return Register.of(c for g in self.groups for c in g.channels)

    def settings(self, base: CoreSettings | None = None) -> CoreSettings:
        """The core's own defaults plus the operating conditions this plant gives by tag."""
        rules = tuple(ConditionRule(*g.condition, (g.name,)) for g in self.groups if g.condition is not None)
        return replace(base or CoreSettings(), conditions=rules)

    @property
    def end_s(self) -> float:
        return max(len(g.level_db) * g.spec.grid_s for g in self.groups)

    @property
    def samples(self) -> int:
        return int(sum(np.count_nonzero(~np.isnan(g.level_db)) for g in self.groups))

    def batches(self, names: dict[str, int], chunk_s: float = 3600.0) -> Iterator[Batch]:
        """All samples, a chunk of plant time at once. `names` maps series names to indices."""
        series = [np.array([names[c.source] for c in g.channels], np.int32) for g in self.groups]
        tags = [[(names[tag], *s) for tag, s in g.tags.items() if tag in names] for g in self.groups]
        for start in np.arange(0.0, self.end_s, chunk_s):
            parts = [
                part
                for g, own, process in zip(self.groups, series, tags, strict=True)
                for part in (
                    *_levels(g, own, start, start + chunk_s),
                    *_process(process, start, start + chunk_s),
                )
            ]
            yield _join(parts)


Part = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _levels(g: GroupRun, series: np.ndarray, start: float, end: float) -> list[Part]:
    grid = g.spec.grid_s
    a, b = int(start) // grid, int(end) // grid
    block = g.level_db[a:b]
    row, column = np.nonzero(~np.isnan(block))
    time = (row + a) * float(grid) + g.phase_s[column]
    flags = np.zeros(len(row), np.uint8)
    if g.clock_s is not None:
        off = g.clock_s[a:b][row, column]
        time = time + off
        flags[off > MAX_AHEAD_S] = Flag.AHEAD
    return [(series[column], time, block[row, column], flags)]


def _process(tags: list[tuple[int, np.ndarray, np.ndarray]], start: float, end: float) -> list[Part]:
    parts: list[Part] = []
    for series, time, value in tags:
        a, b = np.searchsorted(time, (start, end))
        parts.append((np.full(b - a, series, np.int32), time[a:b], value[a:b], np.zeros(b - a, np.uint8)))
    return parts


def _join(parts: list[Part]) -> Batch:
    series, time, value, flags = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    time_us = START_US + np.round(time * 1e6).astype(np.int64)
    return Batch(series.astype(np.int32), time_us, value.astype(np.float64), flags)


def seeds_of(text: str) -> list[int]:
    """Seeds as they are asked for: `first:last`, or a list `3,5,8`."""
    if ":" in text:
        first, last = (int(x) for x in text.split(":"))
        return list(range(first, last + 1))
    return [int(x) for x in text.split(",")]
