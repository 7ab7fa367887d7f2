"""When to try a stretch, and how long a one."""

from __future__ import annotations

from functools import cached_property

from hissmark.engine.layout import Layout
from hissmark.engine.stretch import Stretch

WORTHWHILE = 4
"""A stretch of fewer ticks costs more than the ticks themselves."""
SHORT, LONG = 120, 1920
"""Ticks of a stretch; many at once are cheaper each, and dearer where it breaks off."""
LONGEST_PAUSE = 64
"""Ticks after a stretch that came to nothing before the next is tried, at most."""


class Pace:
    """Waits longer each time a stretch of a group breaks off, and dares a long one after two whole ones."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._pause, self._following, self._whole = 0, 1, 0

    def waits(self) -> bool:
        """Whether the next tick is one of the pause."""
        self._pause -= 1
        return self._pause >= 0

    def stretch_for(self, count: int) -> Stretch | None:
        """What to judge the next `count` ticks in; None if they are better judged one by one."""
        if count < WORTHWHILE or not self._short.possible:
            return None
        return self._long if self._whole >= 2 and count > SHORT else self._short

    def result(self, complete: bool) -> None:
        """A stretch has been tried; `complete` if it did not break off."""
        self._pause = 0 if complete else self._following
        self._following = 1 if complete else min(2 * self._following, LONGEST_PAUSE)
        self._whole = self._whole + 1 if complete else 0

    @cached_property
    def _short(self) -> Stretch:
        return Stretch(self._layout, SHORT)

    @cached_property
    def _long(self) -> Stretch:
        return Stretch(self._layout, LONG)
