"""How sure a proportion is that was counted in few cases.

Precision and recall come from a handful of repairs; without an interval they would claim more than they know.
Formulas: Wilson (1927) and Clopper and Pearson (1934), as compared by Brown, Cai and DasGupta, "Interval
Estimation for a Binomial Proportion", Statistical Science 16 (2001) 101-133, who recommend the former for few
cases; the latter never covers less than it says.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import betaincinv, ndtri

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Proportion:
    """`hits` of `cases`, with Wilson's interval. All None without a case: nothing is known then."""

    hits: int
    cases: int
    value: float | None
    low: float | None
    high: float | None


def proportion(hits: int, cases: int, confidence: float = CONFIDENCE) -> Proportion:
    """The share `hits` of `cases` and its interval."""
    if not cases:
        return Proportion(hits, cases, None, None, None)
    low, high = wilson(hits, cases, confidence)
    return Proportion(hits, cases, hits / cases, low, high)


def wilson(hits: int, cases: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Wilson's score interval. Raises ValueError unless 0 <= hits <= cases and cases > 0."""
    _check(hits, cases, confidence)
    z = float(ndtri(0.5 + confidence / 2))
    share = hits / cases
    middle = share + z * z / (2 * cases)
    reach = z * (share * (1 - share) / cases + z * z / (4 * cases * cases)) ** 0.5
    scale = 1 + z * z / cases
    low = 0.0 if hits == 0 else (middle - reach) / scale
    high = 1.0 if hits == cases else (middle + reach) / scale
    return low, high


def clopper_pearson(hits: int, cases: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The "exact" interval: covers at least `confidence` whatever the true share. Raises as `wilson`."""
    _check(hits, cases, confidence)
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else float(betaincinv(hits, cases - hits + 1, tail))
    high = 1.0 if hits == cases else float(betaincinv(hits + 1, cases - hits, 1 - tail))
    return low, high


def _check(hits: int, cases: int, confidence: float) -> None:
    if not 0 <= hits <= cases or cases == 0:
        raise ValueError(f"{hits} of {cases} is no share")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, not at {confidence}")
