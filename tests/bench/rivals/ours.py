"""The product itself: the same engine that the service and `replay` run, with its own defaults."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from plants.plant import START_US, Plant
from plants.score import Raised

from hissmark.engine.layout import Layout

FOREVER = float("inf")


def run_engine(
    plant: Plant, seen: Callable[[Any], None] | None = None, progress: Callable[[float], None] | None = None
) -> dict[int, list[Raised]]:
    """Feed a whole plant; alarms of each group by its place in the plant. `seen` gets every tick."""
    from hissmark.engine.engine import Engine

    settings = plant.settings()
    layout = Layout.of(plant.register, settings)
    engine = Engine(layout)
    book = _Book(plant)
    for batch in plant.batches(layout.series_index()):
        engine.accept(batch)
        for tick in engine.advance():
            for entry in tick.entries:
                book.enter(entry)
            if seen is not None:
                seen(tick)
        if progress is not None:
            progress(3600.0)
    return book.close()


class _Book:
    """Pairs what was raised with what was cleared."""

    def __init__(self, plant: Plant) -> None:
        self.place = {
            c.subject: (g, i) for g, run in enumerate(plant.groups) for i, c in enumerate(run.channels)
        }
        self.alarms: dict[int, list[Raised]] = {g: [] for g in range(len(plant.groups))}
        self.standing: dict[tuple[str, str], Raised] = {}

    def enter(self, entry: Any) -> None:
        key = (str(entry.alarm), entry.valve)
        at_s = (entry.at_us - START_US) / 1e6
        if entry.event == "raised":
            channel = self.place[entry.valve][1]
            one = Raised(key[0], channel, at_s, FOREVER, entry.reason, entry.margin_db)
            if key in self.standing:  # never left unanswered, else a later clearing would end the wrong one
                self._end(key, at_s)
            self.standing[key] = one
        elif entry.event == "cleared" and key in self.standing:
            self._end(key, at_s)

    def _end(self, key: tuple[str, str], at_s: float) -> None:
        one = self.standing.pop(key)
        ended = Raised(one.kind, one.channel, one.raised_s, at_s, one.reason, one.margin_db)
        self.alarms[self.place[key[1]][0]].append(ended)

    def close(self) -> dict[int, list[Raised]]:
        for key in list(self.standing):
            self._end(key, FOREVER)
        return {g: sorted(rows, key=lambda a: (a.raised_s, a.channel)) for g, rows in self.alarms.items()}
