"""Waiting for what the service makes of an action, a change or a register that is on record."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from hissmark.store.records import ActionRow, ChangeRow
from hissmark.store.registers import RegisterVersion

POLL_S = 0.05
Row = TypeVar("Row", ActionRow, ChangeRow, RegisterVersion)


def outcome_of(read: Callable[[int], Row | None], number: int, wait_s: float) -> Row | None:
    """The row once the service has dealt with it; None if it has not within `wait_s`."""
    deadline_s = time.monotonic() + wait_s
    while True:
        row = read(number)
        if row is not None and row.outcome is not None:
            return row
        if time.monotonic() >= deadline_s:
            return None
        time.sleep(POLL_S)
