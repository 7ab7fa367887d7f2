"""How sure a rate is that was counted in a few events: alarms in a valve and year.

Formula: the "exact" interval of a Poisson mean, Garwood, "Fiducial Limits for the Poisson Distribution",
Biometrika 28 (1936) 437-442, which never covers less than it says.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import gammaincinv

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class CountedRate:
    """`events` in an exposure, as a rate with its interval."""

    events: int
    value: float
    low: float
    high: float


def counted_rate(events: int, exposure: float, confidence: float = CONFIDENCE) -> CountedRate | None:
    """The rate of `events` in `exposure` (valve-years); None without an exposure.

    Raises ValueError for a negative count or a confidence that is none.
    """
    if events < 0 or not 0 < confidence < 1:
        raise ValueError(f"{events} events with a confidence of {confidence} make no rate")
    if exposure <= 0:
        return None
    tail = (1 - confidence) / 2
    low = 0.0 if events == 0 else float(gammaincinv(events, tail))
    high = float(gammaincinv(events + 1, 1 - tail))
    return CountedRate(events, events / exposure, low / exposure, high / exposure)
