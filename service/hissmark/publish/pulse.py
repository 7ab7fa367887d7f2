"""Signs of life: what a thread does and since when, and which regular jobs have not been done in time.

A thread that hangs still counts as alive; only what it has begun and not ended gives it away. Both are told
by the threads themselves and read by others, so that a thread that hangs cannot hide it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

JUDGING, STORING = "judging", "storing"
GRACE_S = 300.0
"""A job may be late by its interval and this long before anybody is told."""


class Pulse:
    """What a thread began last. One thread writes, any may read."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._begun: tuple[str, float] = ("", 0.0)

    def beat(self, doing: str) -> None:
        """Something is begun."""
        self._begun = (doing, self._now_s())

    @contextmanager
    def during(self, doing: str) -> Iterator[None]:
        """Something is done in between; then what was done before goes on."""
        before = self._begun[0]
        self.beat(doing)
        try:
            yield
        finally:
            self.beat(before)

    def read(self) -> tuple[str, float]:
        """What is being done and for how long, seconds; ("", 0) before the first beat."""
        doing, since_s = self._begun
        return doing, self._now_s() - since_s if doing else 0.0


class Chores:
    """When each regular job was last done."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._every_s: dict[str, float] = {}
        self._done_s: dict[str, float] = {}

    def plan(self, job: str, every_s: float) -> None:
        """A job is to be done so often, from now on."""
        self._done_s[job] = self._now_s()
        self._every_s[job] = every_s

    def done(self, job: str) -> None:
        """It was done, without an error."""
        self._done_s[job] = self._now_s()

    def overdue(self) -> dict[str, float]:
        """job -> seconds that it is overdue; 0 for one that is not."""
        now_s = self._now_s()
        return {
            job: max(0.0, now_s - self._done_s[job] - 2 * every_s - GRACE_S)
            for job, every_s in self._every_s.items()
        }
