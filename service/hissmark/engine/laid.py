"""What a tick has heard of some copies of a group, laid out for others."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import Portion
from hissmark.engine.step import Seen

Ints = npt.NDArray[np.intp]

BY_CHANNEL = ("expected", "leads", "ratio", "told", "masked")
"""Of `Groups`, what runs over channels."""
NUMBERS = ("source", "second", "next_source")
"""Of `Groups`, what names a channel by its number."""


def laid_out(seen: Seen, copies: Ints, channels: int, on: npt.NDArray[np.bool_] | None = None) -> Seen:
    """What was heard, for copies of the group of which copy k hears what copy `copies[k]` has heard.

    Args:
        channels: of one copy. on: bool[copies], those of which the tick is closed (default: all).
    """
    rows = (copies[:, None] * channels + np.arange(channels)).reshape(-1)
    closed = np.ones(len(copies), bool) if on is None else on
    nothing = np.empty(0, np.int64)
    portion = Portion(
        seen.portion.at_us, closed, nothing.astype(np.int32), nothing, nothing.astype(np.float64)
    )
    return Seen(
        portion, np.repeat(closed, channels), _conditions(seen.conditions, rows, copies),
        _rows_of(seen.signal, rows), seen.blocked[rows], _groups(seen.groups, rows, copies, channels),
        seen.baseline[rows], seen.scale[rows], seen.rise[rows], seen.margin[rows],
        seen.known[rows],
    )  # fmt: skip


def _rows_of(arrays: Any, rows: Ints) -> Any:
    """A named tuple of arrays, or of such tuples, at some rows."""
    parts = (_rows_of(part, rows) if isinstance(part, tuple) else part[rows] for part in arrays)
    return type(arrays)._make(parts)


def _groups(groups: Any, rows: Ints, copies: Ints, channels: int) -> Any:
    fields = {}
    begins = np.arange(len(copies)) * channels
    for name, array in groups._asdict().items():
        found = array[rows if name in BY_CHANNEL else copies]
        if name in NUMBERS:
            found = np.where(found >= 0, found % channels + begins, -1).astype(array.dtype)
        fields[name] = found
    return groups._replace(**fields)


def _conditions(conditions: TestConditions, rows: Ints, copies: Ints) -> TestConditions:
    fields = {f.name: getattr(conditions, f.name) for f in dataclasses.fields(conditions)}
    return TestConditions(
        **{name: array[copies if name == "operating" else rows] for name, array in fields.items()}
    )
