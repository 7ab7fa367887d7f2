"""What commands share that put changes on record for the service to take up."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from hissmark.store.changes import record_change
from hissmark.store.open import open_for_actions

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.engine.change import Change


def put_changes(site: Opened, changes: Iterable[Change]) -> list[int]:
    """Put changes on record, each durable when its number comes back."""
    engine = open_for_actions(site.site.store_url, site.site.folder)
    try:
        return [record_change(engine, change, site.now_us) for change in changes]
    finally:
        engine.dispose()
