"""Ticks that are judged but not yet in the history, so that the last minutes can be looked back at too."""

from __future__ import annotations

import threading
from collections.abc import Iterable

from hissmark.engine.readings import Tick


class Unsaved:
    """Holds what the worker holds itself until it saves its state; nothing is copied. Any thread may ask."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ticks: list[Tick] = []

    def add(self, ticks: Iterable[Tick]) -> None:
        with self._lock:
            self._ticks.extend(ticks)

    def clear(self) -> None:
        """They are in the history from now on."""
        with self._lock:
            self._ticks = []

    def of_group(self, group: int, from_us: int, to_us: int) -> list[Tick]:
        """A group's ticks (index in the layout) in [from_us, to_us), oldest first."""
        with self._lock:
            ticks = self._ticks[:]
        return [t for t in ticks if from_us <= t.at_us < to_us and group in t.groups]

    def last_of_each(self, at_us: int) -> dict[int, Tick]:
        """Group (index in the layout) -> its last tick up to a moment, of the groups that are among these."""
        with self._lock:
            ticks = self._ticks[:]
        found: dict[int, Tick] = {}
        for tick in ticks:
            if tick.at_us <= at_us:
                found |= dict.fromkeys(tick.groups.tolist(), tick)
        return found
