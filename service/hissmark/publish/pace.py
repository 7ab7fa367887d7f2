"""How far behind its plant the service is, and whether that grows or shrinks.

Behind: the age of what is being stored. Each batch tells the newest time of every channel in it; the median
over the channels stands for it, so that one wrong clock, and what a gateway back-fills, say nothing.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hissmark.decode.columns import NOT_JUDGED, Batch

LATELY_S = 10.0
"""What was stored longer ago says nothing about now."""
OVER_S = 60.0
"""Time over which gaining or losing ground is seen."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Where the service stands. Seconds of the service's own clock.

    Attributes:
        behind_s: age of what is being stored; 0 while nothing waits to be stored.
        gained: by how much `behind_s` falls in a second; negative: it grows. None: not known yet.
    """

    behind_s: float = 0.0
    gained: float | None = None

    @property
    def ready_in_s(self) -> float | None:
        """When it will have caught up at this pace; None if it is not gaining."""
        return self.behind_s / self.gained if self.gained is not None and self.gained > 0 else None


class Pacer:
    """Worked out from what is stored. One thread tells, another looks; any may read."""

    def __init__(self, now_us: Callable[[], int], now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_us, self._now_s = now_us, now_s
        self._stored: deque[tuple[float, float, int]] = deque(maxlen=1000)  # when, age, channels
        self._past: deque[tuple[float, float]] = deque(maxlen=200)  # when, behind
        self._newest_us = 0
        self._lock = threading.Lock()
        self._pace = Pace()

    def stored(self, batch: Batch) -> None:
        """A batch is on record."""
        judged = (batch.flags & NOT_JUDGED) == 0
        if not judged.any():
            return
        series, inverse = np.unique(batch.series[judged], return_inverse=True)
        newest_us = np.zeros(len(series), np.int64)
        np.maximum.at(newest_us, inverse, batch.time_us[judged])
        middle_us = int(np.median(newest_us))
        age_s = max(0.0, (self._now_us() - middle_us) / 1e6)
        with self._lock:
            self._stored.append((self._now_s(), age_s, len(series)))
            self._newest_us = middle_us

    def look(self, waiting: int) -> Pace:
        """Once a second. `waiting`: messages between broker and store."""
        now_s = self._now_s()
        with self._lock:
            while self._stored and now_s - self._stored[0][0] > LATELY_S:
                self._stored.popleft()
            behind_s = self._behind_s(waiting)
            self._past.append((now_s, behind_s))
            while now_s - self._past[0][0] > OVER_S:
                self._past.popleft()
            self._pace = Pace(behind_s, self._gained(now_s))
        return self._pace

    def read(self) -> Pace:
        """As of the last look."""
        return self._pace

    def _behind_s(self, waiting: int) -> float:
        if self._stored:
            ages = np.array([age for _, age, _ in self._stored])
            weights = np.array([channels for _, _, channels in self._stored])
            order = np.argsort(ages)
            reached = np.cumsum(weights[order])
            return float(ages[order][np.searchsorted(reached, reached[-1] / 2)])
        if waiting and self._newest_us:  # something waits and nothing is stored: it gets older
            return max(0.0, (self._now_us() - self._newest_us) / 1e6)
        return 0.0

    def _gained(self, now_s: float) -> float | None:
        then_s, behind_s = self._past[0]
        if now_s - then_s < LATELY_S:
            return None
        return (behind_s - self._past[-1][1]) / (now_s - then_s)
