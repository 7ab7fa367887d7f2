"""A service's older days are filed beside it; stories, recovery and `history --raw` read both as one."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from cli.known_site import hissmark_process as hissmark
from hissmark.daemon.clock import WallClock
from hissmark.daemon.long_history import LongHistory
from hissmark.daemon.recovery import Recovered, recover
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.site import load_site
from hissmark.store import open_for_reading, open_store
from hissmark.store.reader import Reader
from support.recorded import RecordedRig, recording, write_site
from support.rig import LEARNED_S

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
DAY_US = 86_400_000_000


class Later(WallClock):
    """Some days behind the samples."""

    def __init__(self, now_us: int) -> None:
        self._now_us = now_us

    def now_us(self) -> int:
        return self._now_us


def worked(folder: Path) -> RecordedRig:
    with recording(folder) as rig:
        rig.run(LEARNED_S, dict(BASE), {"ZT-1": 0.5})
        rig.run(24 * 3600, {**BASE, "AE-2": 29.0}, {"ZT-1": 0.5})
    return rig


def recovered(folder: Path) -> list[tuple[int, bytes]]:
    """Ticks that come out when nothing but samples is there."""
    site = load_site(folder)
    reader = Reader(open_for_reading(site.store_url, folder), site.archive)
    found: list[Recovered] = []
    recover(Engine(Layout.of(site.register, site.core)), reader, found.append)
    reader.close()
    return [(tick.at_us, tick.level_db.tobytes()) for part in found for tick in part.ticks]


def test_filed_beside_the_service(tmp_path: Path) -> None:
    folder = write_site(tmp_path / "north")
    worked(folder)
    raw = hissmark("history", str(folder), "XV-2", "--raw", "--json").stdout
    before = recovered(folder)
    site = load_site(folder)
    store = open_store(site.store_url, folder)
    layout = Layout.of(site.register, site.core)
    extent = Reader(store, site.archive).sample_extent()
    assert extent is not None
    LongHistory(site, store, lambda: layout, Later(extent.last_us + 3 * DAY_US)).run()
    with store.connect() as connection:
        left = connection.scalar(sa.text("SELECT min(time_us) FROM samples"))
    store.dispose()
    assert left is not None
    assert left == extent.first_us + DAY_US
    assert hissmark("history", str(folder), "XV-2", "--raw", "--json").stdout == raw
    assert recovered(folder) == before
    assert len(before) > 1400
