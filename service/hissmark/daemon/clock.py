"""The service's clock: the wall clock, or one of an invented plant that runs faster."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What the shell reads the time from; the core never does."""

    def now_us(self) -> int:
        """Microseconds since 1970 UTC."""
        ...


OFFSET_LIMIT_US = 60 * 1_000_000
"""A service's clock that is closer to the machine's than this counts as the machine's."""


def offset_us(clock: Clock) -> int:
    """How far the service's clock is ahead of the machine's (negative: behind); 0 if they agree."""
    ahead_us = clock.now_us() - WallClock().now_us()
    return ahead_us if abs(ahead_us) > OFFSET_LIMIT_US else 0


class WallClock:
    """The machine's clock."""

    def now_us(self) -> int:
        return time.time_ns() // 1000


class FastClock:
    """A clock that starts at `start_us` and runs `speed` times as fast as real time."""

    def __init__(self, start_us: int, speed: float) -> None:
        self._start_us, self._speed = start_us, speed
        self._began_ns = time.monotonic_ns()

    def now_us(self) -> int:
        elapsed_us = (time.monotonic_ns() - self._began_ns) / 1000
        return self._start_us + int(elapsed_us * self._speed)
