"""How far a level has to rise over its background before noise alone explains it no longer, for a budget.

The floor of a window is a smoothed level: from tick to tick it is correlated, like an EWMA of independent
values. Noise of first-order autocorrelation phi *is* such an EWMA with weight 1 - phi, so the mean time until
it first reaches w of its standard deviations is the average run length of a one-sided EWMA chart with that
width (`ewma_arl`, checked against the published tables). The table holds the inverse.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

_PHI = np.array([0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95])
_LOG_TICKS = np.arange(2.0, 9.0)
"""Decimal logarithm of the mean number of ticks between two false alarms."""
_WIDTH = np.array(
    [
        (2.326, 3.090, 3.719, 4.265, 4.753, 5.199, 5.612),
        (2.304, 3.085, 3.718, 4.265, 4.753, 5.199, 5.612),
        (2.259, 3.070, 3.712, 4.262, 4.752, 5.199, 5.612),
        (2.146, 3.021, 3.688, 4.249, 4.745, 5.195, 5.609),
        (2.021, 2.959, 3.652, 4.226, 4.729, 5.184, 5.602),
        (1.738, 2.808, 3.556, 4.159, 4.679, 5.145, 5.571),
        (1.379, 2.601, 3.421, 4.058, 4.599, 5.079, 5.516),
    ]
)
"""By phi and run length, in standard deviations; solved for with `ewma_arl` to 1e-5."""
LARGEST = float(_WIDTH.max())
YEAR_S = 365.25 * 86_400.0


def noise_limit(budget_per_year: npt.ArrayLike, tick_s: float, phi: npt.ArrayLike) -> F64:
    """Rise, in standard deviations of the floors, that noise reaches as often as the budget allows.

    Args:
        budget_per_year: false alarms that one channel may give in a year under test conditions, above 0.
        tick_s: time between two judgements. phi: correlation of the floors from tick to tick.

    Returns:
        float64, arguments broadcast; held at the ends of the table (100 to 100 million ticks, phi 0 to 0.95).
    """
    ticks = YEAR_S / tick_s / np.asarray(budget_per_year, np.float64)
    column = np.clip(np.log10(ticks), _LOG_TICKS[0], _LOG_TICKS[-1]) - _LOG_TICKS[0]
    at = np.clip(np.asarray(phi, np.float64), _PHI[0], _PHI[-1])
    row = np.clip(np.searchsorted(_PHI, at, side="right") - 1, 0, len(_PHI) - 2)
    part = (at - _PHI[row]) / (_PHI[row + 1] - _PHI[row])
    before = np.clip(column.astype(np.intp), 0, len(_LOG_TICKS) - 2)
    along = column - before
    upper = _WIDTH[row, before] * (1 - along) + _WIDTH[row, before + 1] * along
    lower = _WIDTH[row + 1, before] * (1 - along) + _WIDTH[row + 1, before + 1] * along
    return np.asarray(upper * (1 - part) + lower * part)


def correlation(mean_square_step: F32, scale: F32) -> F64:
    """Correlation from tick to tick, from how much floors change between two ticks: ``1 - E(d^2) / 2 s^2``.

    Args:
        mean_square_step: float32[n] mean square of the change, dB^2.
        scale: float32[n] standard deviation of the floors, dB.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        phi = 1.0 - mean_square_step / (2.0 * np.square(scale.astype(np.float64)))
    return np.clip(np.nan_to_num(phi, nan=0.0), 0.0, float(_PHI[-1]))
