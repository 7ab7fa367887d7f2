"""How a leak grows: the slope of its leak-only level, robust, with its uncertainty, from bounded memory.

Each channel keeps at most `CELLS` levels, equally far apart in time. When they are full every second one is
dropped and the distance doubles: hours or years, the memory is the same. The slope is the median of those
between all pairs (Theil 1950, Sen 1968), its interval that of Sen by Kendall's statistic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

US = 1_000_000
CELLS = 16
FIRST_US = 1800 * US
"""Distance of the levels kept at first: three windows of a dense channel, so that they tell something new."""
FEWEST = 5
Z_95 = 1.959963984540054
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope of a leak-only level, dB a day, with its 95 % interval; how long until the next severity.

    Attributes:
        span_s: time that it was worked out over.
        severity: the next one, ``clear`` or ``severe``; None where there is none or the leak does not grow.
        days: until then at this slope; earliest_days: at the steepest within the interval.
    """

    db_per_day: float
    low: float
    high: float
    span_s: float
    severity: str | None = None
    days: float | None = None
    earliest_days: float | None = None

    @property
    def grows(self) -> bool:
        """Whether it surely grows."""
        return self.low > 0.0


class Trends:
    """Levels kept of every channel.

    Attributes:
        start_us: int64[channels] time of the first cell, 0 while nothing is kept.
        doubled: uint8[channels] how often the distance has doubled. level: float32[channels, CELLS] dB.
    """

    STATE = ("start_us", "doubled", "level")

    def __init__(self, channels: int) -> None:
        self.start_us: npt.NDArray[np.int64] = np.zeros(channels, np.int64)
        self.doubled: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)
        self.level: F32 = np.full((channels, CELLS), np.nan, np.float32)

    def follow(self, at_us: int, heard: Bools, leak: F32) -> None:
        """Keep this tick's leak-only levels of the channels in `heard` where a cell is due."""
        rows = np.flatnonzero(heard & ~np.isnan(leak))
        if not len(rows):
            return
        begins = rows[self.start_us[rows] == 0]
        self.start_us[begins] = at_us
        cell = self._cells(rows, at_us)
        while (cell >= CELLS).any():
            self._halve(rows[cell >= CELLS])
            cell = self._cells(rows, at_us)
        due = np.isnan(self.level[rows, cell])
        self.level[rows[due], cell[due]] = leak[rows[due]]

    def forget(self, channels: Bools) -> None:
        """Nothing is heard there any more."""
        gone = channels & (self.start_us > 0)
        self.start_us[gone], self.doubled[gone] = 0, 0
        self.level[gone] = np.nan

    def of(self, channel: int) -> Trend | None:
        """The trend of a channel; None until enough is known."""
        level = self.level[channel].astype(np.float64)
        have = np.flatnonzero(~np.isnan(level))
        if len(have) < FEWEST:
            return None
        step_s = FIRST_US * 2 ** int(self.doubled[channel]) / US
        slope, low, high = sen_slope(have * step_s / DAY_S, level[have])
        return Trend(slope, low, high, float((have[-1] - have[0]) * step_s))

    def _cells(self, rows: npt.NDArray[np.intp], at_us: int) -> npt.NDArray[np.int64]:
        distance = FIRST_US * 2 ** self.doubled[rows].astype(np.int64)
        return np.asarray((at_us - self.start_us[rows]) // distance, np.int64)

    def _halve(self, rows: npt.NDArray[np.intp]) -> None:
        """Every second level stays, or its neighbour where it is missing."""
        pairs = self.level[rows].reshape(len(rows), CELLS // 2, 2)
        kept = np.where(np.isnan(pairs[:, :, 0]), pairs[:, :, 1], pairs[:, :, 0])
        self.level[rows] = np.concatenate((kept, np.full_like(kept, np.nan)), axis=1)
        self.doubled[rows] += 1


def sen_slope(x: F64, y: F64) -> tuple[float, float, float]:
    """Median of the pairwise slopes and Sen's 95 % interval; `x` rising, float64[n], n at least 3."""
    i, j = np.triu_indices(len(x), 1)
    slopes = np.sort((y[j] - y[i]) / (x[j] - x[i]))
    n, count = len(x), len(slopes)
    reach = Z_95 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    first = max(round((count - reach) / 2.0) - 1, 0)
    last = min(round((count + reach) / 2.0), count - 1)
    return float(np.median(slopes)), float(slopes[first]), float(slopes[last])


def until(trend: Trend, rise_db: float, limits_db: tuple[tuple[str, float], ...]) -> Trend:
    """The trend with the time until the rise reaches the next of `limits_db` (severity, rise), mildest first.

    The background stays, the leak-only level grows: a rise R needs the leak-only level
    ``background + 10 lg(10^(R/10) - 1)`` (powers add).
    """
    ahead = next(((name, limit) for name, limit in limits_db if rise_db < limit), None)
    if ahead is None or not trend.grows:
        return trend
    name, limit = ahead
    missing_db = _over_background(limit) - _over_background(max(rise_db, 0.1))
    days, earliest = missing_db / trend.db_per_day, missing_db / trend.high
    return Trend(trend.db_per_day, trend.low, trend.high, trend.span_s, name, days, earliest)


def _over_background(rise_db: float) -> float:
    """Leak-only level over the background, dB, that lifts the level by `rise_db`."""
    return 10.0 * math.log10(10.0 ** (rise_db / 10.0) - 1.0)
