"""What a killed service leaves half written is removed by the next one, and nothing else is."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from hissmark.backup.kept import finished
from hissmark.daemon.backup_job import BackupJob
from hissmark.daemon.clock import WallClock
from hissmark.daemon.long_history import LongHistory
from hissmark.decode.columns import Batch
from hissmark.engine.layout import Layout
from hissmark.publish.metrics import Metrics
from hissmark.site.load import Site, load_site
from hissmark.store import Writer, open_store
from hissmark.store.archive.place import place_of
from support.sealing import days

NAMES = ("PT-1", "XV-101", "XV-102", "XV-103")
REGISTER = "channel,kind,valve,group,position\nXV-101,valve,XV-101,North,0\n"
DIE = "import os, signal\ndie = lambda *_: os.kill(os.getpid(), signal.SIGKILL)\n"
SEAL = """
import sys
from pathlib import Path
from hissmark.site.load import load_site
from hissmark.store import open_store
from hissmark.store.archive.seal import Sealer
site = load_site(sys.argv[1])
step = lambda name: die() if name == "samples drafted" else None
store = open_store(site.store_url, site.folder)
Sealer(store, site.archive, {}, lambda: 0, rest=0, step=step).seal_before(1 << 60)
"""
BACK_UP = """
import sys
from pathlib import Path
from hissmark.backup.kept import backup_folder
from hissmark.backup.write import write_backup
from hissmark.site.load import load_site
site = load_site(sys.argv[1])
write_backup(site, backup_folder(Path(sys.argv[1]) / "kept", site.name, 10**15), 10**15, die)
"""


@pytest.fixture
def site(tmp_path: Path) -> Site:
    folder = tmp_path / "north"
    folder.mkdir()
    (folder / "site.toml").write_text('name = "North works"\n[store]\nbackup_folder = "kept"\n')
    (folder / "register.csv").write_text(REGISTER)
    found = load_site(folder)
    engine = open_store(found.store_url, folder)
    writer = Writer(engine, NAMES)
    with writer.transaction() as tx:
        tx.samples(recorded())
    writer.close()
    engine.dispose()
    return found


def recorded() -> Batch:
    return days(2, 20)


def killed(program: str, folder: Path) -> None:
    done = subprocess.run([sys.executable, "-c", DIE + program, str(folder)], check=False)
    assert done.returncode == -signal.SIGKILL


def test_drafts_in_the_archive(site: Site) -> None:
    """Killed while it sealed a day; a file of somebody else's beside them stays."""
    killed(SEAL, site.folder)
    archive = site.folder / "data" / "archive"
    assert [p.name[:7] for p in archive.iterdir()] == [".draft-"]
    (archive / ".keep").write_text("not ours")
    store = open_store(site.store_url, site.folder)
    layout = Layout.of(site.register, site.core)
    LongHistory(site, store, lambda: layout, WallClock()).run()
    store.dispose()
    assert list(archive.glob(".draft-*")) == []
    assert (archive / ".keep").exists()
    assert len(list(archive.rglob("*.parquet"))) >= 2


def test_an_unfinished_backup(site: Site) -> None:
    """Killed while it wrote one; what was not made on the schedule stays."""
    killed(BACK_UP, site.folder)
    under = site.folder / "kept"
    assert [p.name for p in under.iterdir()] == ["north-works-20010909T014640Z.unfinished"]
    others = ["monday.unfinished", "south-works-20010909T014640Z.unfinished"]
    for other in others:
        (under / other).mkdir()
    BackupJob(site, WallClock(), Metrics())()
    assert sorted(p.name for p in under.glob("*.unfinished")) == others
    assert len(finished(under)) == 1


def test_parts_in_an_object_store(tmp_path: Path) -> None:
    place = place_of("memory://swept", tmp_path)
    assert place is not None
    with place.draft() as draft:
        draft.write_bytes(b"whole")
        place.publish(draft, "day/whole.parquet")
    place._files.pipe_file("/swept/day/cut.parquet.part", b"ha")  # type: ignore[attr-defined]
    assert (place.sweep(), place.sweep()) == (1, 0)
    assert place.exists("day/whole.parquet")
