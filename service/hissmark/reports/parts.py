"""What a report is made of: parts that HTML and PDF are both drawn from, so that they say the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the title of the whole."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph. `strong` for what one reads first, `caution` for what must not be missed."""

    text: str
    strong: bool = False
    caution: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. `widths`: shares of the width; the columns in `right` hold numbers."""

    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    widths: tuple[float, ...]
    right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture with its caption above. `draw(width)` gives a drawing of that width in points."""

    draw: Callable[[float], Any]
    caption: str


Part = Heading | Words | Grid | Picture
