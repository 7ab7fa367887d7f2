"""What is done every second, and the look at the machine's clock; by a clock that nobody can set."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from hissmark.daemon.clock import WallClock

LOOK_S = 1.0
STEP_S = 30.0
"""A wall clock that moves by this much more or less than time has passed was set."""


class ClockWatch:
    """Compares the machine's clock with one that only ever goes forward."""

    def __init__(
        self, now_us: Callable[[], int] | None = None, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._now_us, self._now_s = now_us or WallClock().now_us, now_s
        self._ahead_s = self._ahead()

    def look(self) -> float:
        """Seconds by which the clock was set since the last look, negative: back; 0 if it was not."""
        ahead_s = self._ahead()
        moved_s, self._ahead_s = ahead_s - self._ahead_s, ahead_s
        return moved_s if abs(moved_s) >= STEP_S else 0.0

    def _ahead(self) -> float:
        return self._now_us() / 1e6 - self._now_s()


class Seconds:
    """A thread that looks every second.

    Args:
        look: what is done. on_clock_set: called with the seconds by which the machine's clock was set.
        on_done: called after each look, with what it raised.
    """

    def __init__(
        self,
        look: Callable[[], object],
        on_clock_set: Callable[[float], object],
        on_done: Callable[[Exception | None], object],
    ) -> None:
        self._look, self._on_clock_set, self._on_done = look, on_clock_set, on_done
        self._clock = ClockWatch()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="seconds", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()

    @property
    def ended(self) -> bool:
        """Whether it was started and looks no more."""
        return self._thread.ident is not None and not self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.wait(LOOK_S):
            try:
                moved_s = self._clock.look()
                if moved_s:
                    self._on_clock_set(moved_s)
                self._look()
            except MemoryError:
                raise
            except Exception as error:
                self._on_done(error)
            else:
                self._on_done(None)
