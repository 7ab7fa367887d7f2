"""The demo's clock: stands still until the plant goes live, then runs fast, but never ahead of real time."""

from __future__ import annotations

import time

from hissmark.demo.story import S

BEHIND_S = 2 * 86_400
FAST_FOR_S = 8 * 3600


class DemoClock:
    """Satisfies `hissmark.daemon.clock.Clock`.

    Starts at `live_us`, so far in the past that it can run at `speed` for some hours before it has caught up;
    from then on it is the wall clock.
    """

    def __init__(self, speed: float, live_us: int | None = None) -> None:
        self._speed = speed
        behind_s = max(BEHIND_S, FAST_FOR_S * speed)
        self.live_us = live_us if live_us is not None else int(time.time() - behind_s) // 60 * 60 * S
        self._began_ns: int | None = None

    def go(self) -> None:
        """From now on time passes."""
        if self._began_ns is None:
            self._began_ns = time.monotonic_ns()

    def now_us(self) -> int:
        """Microseconds since 1970 UTC."""
        if self._began_ns is None:
            return self.live_us
        passed_us = (time.monotonic_ns() - self._began_ns) / 1000 * self._speed
        return min(self.live_us + int(passed_us), max(self.live_us, time.time_ns() // 1000))
