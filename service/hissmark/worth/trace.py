"""Where a number comes from: the steps that led to it, each with its inputs and its source."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """One quantity on the way: what it is, its value with unit, and how it came about."""

    what: str
    value: str
    how: str


@dataclass(frozen=True, slots=True)
class Range:
    """A quantity with its 90 % interval: 5 %, 50 % and 95 % of its distribution."""

    low: float
    middle: float
    high: float

    def times(self, factor: float) -> Range:
        """The same in other units, or of something proportional to it. `factor` is not negative."""
        return Range(self.low * factor, self.middle * factor, self.high * factor)

    def inverted(self, dividend: float) -> Range:
        """`dividend` over it: high and low change places; infinite where it may be nothing."""
        low, middle, high = (dividend / v if v > 0 else math.inf for v in (self.high, self.middle, self.low))
        return Range(low, middle, high)


def figure(value: float) -> str:
    """A number to three significant digits, without exponents between a thousandth and ten million."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "unlimited"
    digits = 2 - math.floor(math.log10(abs(value)))
    rounded = round(value, digits)
    if not 1e-3 <= abs(rounded) < 1e7:
        return f"{value:.3g}"
    return f"{rounded:,.{max(0, digits)}f}".rstrip("0").rstrip(".") if digits > 0 else f"{rounded:,.0f}"


def ranged(value: Range, unit: str) -> str:
    """``3.1 kg/h (1.2 to 8)``: never a number without its interval."""
    return f"{figure(value.middle)} {unit} ({figure(value.low)} to {figure(value.high)})"
