"""What commands share that put something on record for the service to take up."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, TypeVar

from hissmark.store.changes import record_change
from hissmark.store.open import open_for_actions
from hissmark.store.records import ActionRow, ChangeRow

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.engine.change import Change

POLL_S = 0.1
Row = TypeVar("Row", ActionRow, ChangeRow)


def put_changes(site: Opened, changes: Iterable[Change]) -> list[int]:
    """Put changes on record, each durable when its number comes back."""
    engine = open_for_actions(site.site.store_url, site.site.folder)
    try:
        return [record_change(engine, change, site.now_us) for change in changes]
    finally:
        engine.dispose()


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
