"""Which unit may stand with which name."""

from __future__ import annotations

from collections.abc import Collection

LEVEL_UNITS = frozenset({"", "dB"})
OTHER_UNITS = frozenset({"", "dB", "bar", "%"})


class UnitRule:
    """Levels come in dB or without a unit; other values in bar, % or without (Pa would mislead).

    Args:
        levels: names known to be levels. Names not in it may carry any of the contract's units.
    """

    def __init__(self, levels: Collection[str]) -> None:
        self._levels = frozenset(levels)

    def fits(self, name: str, unit: str) -> bool:
        """Whether a value of this unit can be taken as it is."""
        return unit in LEVEL_UNITS or (unit in OTHER_UNITS and name not in self._levels)

    def detail(self, name: str, unit: str) -> str:
        """What is wrong and what would be right."""
        wanted = "dB or no unit (it is a level)" if name in self._levels else "dB, bar, % or no unit"
        return f"{name} in {unit[:20]!r}; send it in {wanted}"
