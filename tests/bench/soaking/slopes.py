"""What grows: a line through means of blocks, because readings ten seconds apart are not independent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

MOST_BLOCKS = 24
FEWEST_IN_A_BLOCK = 6


@dataclass(frozen=True)
class Slope:
    """Growth an hour with its standard error, and the mean it is compared with."""

    an_hour: float
    error: float
    mean: float

    def grows(self, limit: float) -> bool:
        """Beyond the limit, and not by chance: the line rises by more than twice its standard error."""
        return self.an_hour > limit and self.an_hour > 2.0 * self.error

    def sure(self, limit: float) -> bool:
        """Whether the run was long enough to see growth as small as the limit."""
        return bool(2.0 * self.error <= limit)


def slope(at_s: Sequence[float], values: Sequence[float]) -> Slope | None:
    """Ordinary least squares over block means; None if there are fewer than three blocks."""
    t, y = np.asarray(at_s, np.float64) / 3600.0, np.asarray(values, np.float64)
    known = ~np.isnan(y)
    t, y = t[known], y[known]
    blocks = min(MOST_BLOCKS, len(t) // FEWEST_IN_A_BLOCK)
    if blocks < 3:
        return None
    t, y = _means(t, blocks), _means(y, blocks)
    from_middle = t - t.mean()
    spread = float((from_middle**2).sum())
    b = float((from_middle * y).sum()) / spread
    rest = y - y.mean() - b * from_middle
    return Slope(b, float(np.sqrt((rest**2).sum() / (blocks - 2) / spread)), float(y.mean()))


def _means(values: F64, blocks: int) -> F64:
    return np.array([part.mean() for part in np.array_split(values, blocks)])
