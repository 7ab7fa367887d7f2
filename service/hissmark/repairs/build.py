"""From a site to the desk that takes its repairs."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import sqlalchemy as sa

from hissmark.engine.register import Register
from hissmark.engine.settings import CoreSettings, RepairSettings
from hissmark.publish.shapes import GroupReading
from hissmark.repairs.checking import Known
from hissmark.repairs.desk import Desk
from hissmark.store.archive.place import Place
from hissmark.store.reader import Reader
from hissmark.store.repairs import RepairBook

Readings = Callable[[], Iterable[GroupReading]]


def desk_of(
    register: Callable[[], Register],
    core: CoreSettings,
    repair: RepairSettings,
    *,
    writing: sa.Engine,
    reading: sa.Engine,
    archive: Place | None,
    readings: Readings,
    now_us: Callable[[], int],
) -> Desk:
    """The desk of a site.

    Args:
        register: the register in force.
        writing, reading: as `RepairBook` takes them. archive: where sealed samples are.
        readings: the latest reading of every group; they tell how often each sensor is heard.
        now_us: the service's clock.
    """

    def known() -> Known:
        return Known(register(), core, repair, lambda channel: _interval_s(readings(), channel))

    return Desk(known, RepairBook(writing, reading), Reader(reading, archive), now_us)


def _interval_s(readings: Iterable[GroupReading], channel: str) -> float | None:
    return next((c["interval_s"] for r in readings for c in r["channels"] if c["channel"] == channel), None)
