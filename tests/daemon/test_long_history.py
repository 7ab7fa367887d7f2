"""A service's older days are filed beside it; stories, recovery and `history --raw` read both as one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import sqlalchemy as sa

from cli.known_site import hissmark_process as hissmark
from hissmark.daemon.clock import WallClock
from hissmark.daemon.long_history import LongHistory
from hissmark.daemon.recovery import Recovered, recover
from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.site import load_site
from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.reader import Reader
from support.recorded import RecordedRig, recording, write_site
from support.rig import LEARNED_S

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
DAY_US = 86_400_000_000
MARCH_US = 1_772_323_200_000_000  # 2026-03-01


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


def test_what_is_too_old_goes_but_for_a_hold(tmp_path: Path) -> None:
    """As a person walks it: days filed, a hold placed, the service's housekeeping, the hold released. What
    is held comes out all the while, sums outlive samples, and the audit journal tells of everything.
    """
    folder = write_site(tmp_path / "north")
    kept = "[store]\nrecent_days = 2\nretention_days = 10\nminute_days = 30\n"
    settings = folder / "site.toml"
    settings.write_text(settings.read_text("utf-8").replace("[store]\n", kept), "utf-8")
    site = load_site(folder)
    store, layout = open_store(site.store_url, folder), Layout.of(site.register, site.core)
    hours = np.repeat(np.arange(4 * 24), 2)
    with Writer(store, ("AE-1", "AE-2")) as writer, writer.transaction() as tx:
        at_us = MARCH_US + hours * 3_600_000_000
        series = np.tile(np.array([0, 1], np.int32), 4 * 24)
        tx.samples(Batch(series, at_us, 25.0 + hours, np.zeros(len(at_us), np.uint8)))

    def housekeeping(day: int) -> None:
        LongHistory(site, store, lambda: layout, Later(MARCH_US + (day - 1) * DAY_US)).run()

    housekeeping(7)
    second = ["--from", "2026-03-02", "--to", "2026-03-03"]
    placed = hissmark(
        "legal-hold", "place", str(folder), "--valve", "XV-1", *second, "--reason", "case", "--by", "mia"
    )
    assert placed.returncode == 0, placed.stderr

    def days_left(what: str) -> list[str]:
        out = tmp_path / f"{what}.parquet"
        assert hissmark("export", str(folder), "--out", str(out), "--what", what).returncode == 0
        return sorted(set(pd.read_parquet(out)["time"].dt.strftime("%d")))

    housekeeping(14)
    assert days_left("raw") == ["02", "04"]
    assert days_left("minute") == ["01", "02", "03", "04"]
    assert hissmark("legal-hold", "release", str(folder), "1", "--by", "mia").returncode == 0
    housekeeping(14)
    assert days_left("raw") == ["04"]
    housekeeping(44)
    assert days_left("hour") == ["01", "02", "03", "04"]
    assert list((folder / "data" / "archive" / "minute").rglob("*.parquet")) == []
    store.dispose()
    told = [json.loads(row) for row in hissmark("user", "audit", str(folder), "--json").stdout.splitlines()]
    gone = [row["detail"] for row in told if row["event"] == "deleted"]
    assert sum("samples/day=2026-03-02/" in detail for detail in gone) == 1
    assert len(gone) == 8
    assert {row["event"] for row in told} == {"hold-placed", "hold-released", "deleted"}
