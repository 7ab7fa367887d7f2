"""The last look at columns before they are believed: finite, of a size, in this century, fresh."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import Flag, RejectReason
from hissmark.decode.limits import FIRST_US, LAST_US, MAX_VALUE
from hissmark.decode.message import Message
from hissmark.decode.raw import Raw
from hissmark.decode.rejects import Turned
from hissmark.decode.times import Bools

NameOf = Callable[[int], str]


@dataclass(frozen=True, slots=True)
class Checked:
    """Rows that passed, with their flags uint8[n]."""

    raw: Raw
    flags: npt.NDArray[np.uint8]


def check(
    raw: Raw, messages: Sequence[Message], name_of: NameOf, turned: Turned, ahead_from_us: int
) -> Checked:
    """Turn away implausible rows and flag the doubtful ones.

    Args:
        raw: rows in order of arrival.
        name_of: name of a series index, for the details of rejects.
        ahead_from_us: times after this are flagged AHEAD.
    """
    retained = np.array([message.retained for message in messages], np.bool_)[raw.message]
    bad = np.zeros(len(raw), np.bool_)
    for reason, found, what in _faults(raw, retained):
        fresh = found & ~bad
        if fresh.any():
            bad |= fresh
            _turn_away(raw, fresh, reason, what, name_of, turned)
    flags = (
        np.where(raw.receipt, Flag.RECEIPT_TIME, 0)
        | np.where(retained, Flag.RETAINED, 0)
        | np.where(raw.time_us > ahead_from_us, Flag.AHEAD, 0)
    ).astype(np.uint8)
    if bad.any():
        return Checked(raw.where(~bad), flags[~bad])
    return Checked(raw, flags)


def _faults(raw: Raw, retained: Bools) -> list[tuple[RejectReason, Bools, str]]:
    """What makes a row unusable, the gravest first."""
    finite = np.isfinite(raw.value)
    plausible = np.abs(raw.value, where=finite, out=np.zeros(len(raw))) <= MAX_VALUE
    in_time = (raw.time_us >= FIRST_US) & (raw.time_us < LAST_US)
    return [
        (RejectReason.NOT_FINITE, ~finite, "value is not a finite number"),
        (RejectReason.OUT_OF_RANGE, ~plausible, f"value is beyond ±{MAX_VALUE:g}"),
        (RejectReason.RETAINED_WITHOUT_TIME, retained & raw.receipt, "retained message without a time"),
        (RejectReason.BAD_TIME, ~in_time, "time cannot be read or is outside the years 2000 to 2099"),
    ]


def _turn_away(
    raw: Raw, rows: Bools, reason: RejectReason, what: str, name_of: NameOf, turned: Turned
) -> None:
    """One reject for each message concerned, naming its first row's series."""
    at, first, count = np.unique(raw.message[rows], return_index=True, return_counts=True)
    series = raw.series[rows]
    for message, row, rows_there in zip(at.tolist(), first.tolist(), count.tolist(), strict=True):
        turned.add(message, reason, f"{name_of(int(series[row]))}: {what}", rows_there)
