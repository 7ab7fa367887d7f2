"""Backup and restore: complete, consistent beside a writer, checked, and across both databases."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
import sqlalchemy as sa

from hissmark.backup.kept import finished, keep_backing_up
from hissmark.backup.manifest import BackupError, read_manifest
from hissmark.backup.restore import restore_backup
from hissmark.backup.write import NOT_KEPT, write_backup
from hissmark.decode.columns import Batch
from hissmark.site.load import Site, load_site
from hissmark.store import Writer, open_store
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.archive.seal import Sealer
from hissmark.store.errors import StoreError
from hissmark.store.notes import add_note
from hissmark.store.reader import Reader
from hissmark.store.schema import metadata

NOW_US = 1_772_323_200_000_000
NAMES = ("AX-1", "AX-2")
USER = {"name": "kari", "role": "engineer", "password_hash": "-", "created_us": 1, "password_us": 1}
SITE = """
name = "North works"
[store]
url = "{url}"
"""
REGISTER = "channel,kind,valve,group,position\nAX-1,valve,XV-1,header,0\nAX-2,valve,XV-2,header,1\n"


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def url(request: pytest.FixtureRequest) -> str:
    if request.param == "postgres":
        return str(request.getfixturevalue("postgres_url"))
    return "sqlite:///data/hissmark.db"


@pytest.fixture
def site(tmp_path: Path, url: str) -> Site:
    folder = tmp_path / "north"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE.format(url=url))
    (folder / "register.csv").write_text(REGISTER)
    found = load_site(folder)
    engine = open_store(found.store_url, folder)
    writer = Writer(engine, NAMES)
    with writer.transaction() as tx:
        tx.samples(samples(0, 500))
        tx.settings_version('{"a": "ü"}')
        tx.engine_state(b"\x00\xff state")
    add_note(engine, "Kari", "left for the next shift", "XV-1", NOW_US)
    writer.close()
    engine.dispose()
    return found


def samples(first: int, count: int) -> Batch:
    at = np.arange(first, first + count, dtype=np.int64)
    series = (at % 2).astype(np.int32)
    return Batch(series, NOW_US + at * 1_000_000, at / 3.0, (at % 3).astype(np.uint8))


def everything(url: str, folder: Path) -> dict[str, list[Any]]:
    """All rows of all tables that a backup keeps; floats to the last bit."""
    engine = open_store(url, folder)
    found = {}
    with engine.connect() as connection:
        for table in metadata.sorted_tables:
            if table.name not in NOT_KEPT:
                query = sa.select(table).order_by(*table.primary_key.columns)
                found[table.name] = [tuple(map(repr, row)) for row in connection.execute(query)]
    engine.dispose()
    return found


def test_what_is_restored_equals_what_was_backed_up(tmp_path: Path, site: Site) -> None:
    made = write_backup(site, tmp_path / "kept", NOW_US)
    restored = restore_backup(made.folder, tmp_path / "again", "sqlite:///data/hissmark.db")
    assert everything("sqlite:///data/hissmark.db", tmp_path / "again") == everything(
        site.store_url, site.folder
    )
    assert restored.manifest.site == "North works"
    assert (tmp_path / "again" / "register.csv").read_text() == REGISTER


@pytest.mark.postgres
def test_sqlite_moves_into_postgresql_and_goes_on_numbering(
    tmp_path: Path, postgres_url: str, sqlite_site: Site
) -> None:
    made = write_backup(sqlite_site, tmp_path / "kept", NOW_US)
    restore_backup(made.folder, tmp_path / "again", postgres_url)
    assert everything(postgres_url, tmp_path) == everything(sqlite_site.store_url, sqlite_site.folder)
    engine = open_store(postgres_url, tmp_path)
    add_note(engine, "Ola", "the next note", None, NOW_US)  # would clash if the numbering began anew
    engine.dispose()


@pytest.fixture
def sqlite_site(tmp_path: Path) -> Site:
    folder = tmp_path / "small"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE.format(url="sqlite:///data/hissmark.db"))
    (folder / "register.csv").write_text(REGISTER)
    found = load_site(folder)
    engine = open_store(found.store_url, folder)
    with Writer(engine, NAMES).transaction() as tx:
        tx.samples(samples(0, 100))
    add_note(engine, "Kari", "first", None, NOW_US)
    with engine.begin() as connection:
        connection.execute(sa.insert(metadata.tables["users"]), [USER])
    engine.dispose()
    return found


def test_a_backup_beside_a_writer_is_of_one_moment(tmp_path: Path, site: Site) -> None:
    """Samples are committed in pairs all the while; a backup of two moments would hold half a pair."""
    stop = threading.Event()
    engine = open_store(site.store_url, site.folder)
    writer = Writer(engine, NAMES)

    def write() -> None:
        at = 1000
        while not stop.is_set():
            with writer.transaction() as tx:
                tx.samples(samples(at, 2))
                tx.meta("pairs", str(at))
            at += 2

    thread = threading.Thread(target=write)
    thread.start()
    try:
        backups = [write_backup(site, tmp_path / f"kept{i}", NOW_US).folder for i in range(3)]
    finally:
        stop.set()
        thread.join()
        writer.close()
        engine.dispose()
    for folder in backups:
        rows = pq.read_table(folder / "tables" / "samples.parquet")
        meta = dict(zip(*pq.read_table(folder / "tables" / "meta.parquet").to_pydict().values(), strict=True))
        newest = (max(rows["time_us"].to_pylist()) - NOW_US) // 1_000_000
        assert newest == int(meta["pairs"]) + 1 if "pairs" in meta else newest == 499
        assert rows.num_rows % 2 == 0


def test_nothing_is_overwritten(tmp_path: Path, site: Site) -> None:
    made = write_backup(site, tmp_path / "kept", NOW_US)
    with pytest.raises(BackupError, match="is there already"):
        write_backup(site, tmp_path / "kept", NOW_US)
    with pytest.raises(BackupError, match=r"site\.toml and register\.csv"):
        restore_backup(made.folder, site.folder)


def test_a_database_that_is_not_empty_is_refused_and_the_folder_left_as_it_was(
    tmp_path: Path, site: Site
) -> None:
    made = write_backup(site, tmp_path / "kept", NOW_US)
    other = tmp_path / "taken.db"
    restore_backup(made.folder, tmp_path / "first", f"sqlite:///{other}")
    with pytest.raises(BackupError, match="not empty"):
        restore_backup(made.folder, tmp_path / "second", f"sqlite:///{other}")
    assert not (tmp_path / "second").exists()


@pytest.mark.parametrize("harm", ["changed", "missing"])
def test_a_damaged_backup_is_refused(tmp_path: Path, site: Site, harm: str) -> None:
    folder = write_backup(site, tmp_path / "kept", NOW_US).folder
    victim = folder / "tables" / "samples.parquet"
    if harm == "missing":
        victim.unlink()
    else:
        raw = bytearray(victim.read_bytes())
        raw[len(raw) // 2] ^= 1
        victim.write_bytes(raw)
    with pytest.raises(BackupError, match=r"damaged: tables/samples\.parquet"):
        restore_backup(folder, tmp_path / "again", "sqlite:///data/hissmark.db")
    assert not (tmp_path / "again").exists()


def test_a_backup_that_was_cut_short_is_none_and_does_not_hinder_the_next(tmp_path: Path, site: Site) -> None:
    def cut(_what: str, _done: int, _all: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_backup(site, tmp_path / "kept", NOW_US, cut)
    assert not (tmp_path / "kept").exists()
    with pytest.raises(BackupError, match="no complete backup"):
        read_manifest(tmp_path / "kept.unfinished")
    assert write_backup(site, tmp_path / "kept", NOW_US).manifest.rows > 500


def test_a_backup_of_a_newer_program_is_refused(tmp_path: Path, site: Site) -> None:
    folder = write_backup(site, tmp_path / "kept", NOW_US).folder
    text = (folder / "backup.json").read_text()
    (folder / "backup.json").write_text(text.replace(read_manifest(folder).revision, "9999"))
    with pytest.raises(StoreError, match="newer hissmark"):
        restore_backup(folder, tmp_path / "again", "sqlite:///data/hissmark.db")


def test_old_backups_make_room_only_once_the_new_one_is_complete(tmp_path: Path, site: Site) -> None:
    under = tmp_path / "backups"
    for day in range(4):
        keep_backing_up(site, under, 2, NOW_US + day * 86_400_000_000)
    assert [p.name for p in finished(under)] == [
        "north-works-20260303T000000Z",
        "north-works-20260304T000000Z",
    ]


def test_what_was_sealed_comes_back_with_the_rest(tmp_path: Path, site: Site) -> None:
    """Days in files, days in the database, and one that is sealed a second time after the backup."""
    engine = open_store(site.store_url, site.folder)
    writer = Writer(engine, NAMES)
    with writer.transaction() as tx:
        tx.samples(spread(4))
    sealer = Sealer(engine, site.archive, {}, lambda: NOW_US, rest=0)  # type: ignore[arg-type]
    sealer.seal_before(NOW_US + 2 * DAY_US)
    before = read(Reader(engine, site.archive))
    made = write_backup(site, tmp_path / "kept", NOW_US)
    assert sorted(p.name for p in (made.folder / "archive").rglob("*.parquet")) != []
    restore_backup(made.folder, tmp_path / "again", "sqlite:///data/hissmark.db")
    again = load_site(tmp_path / "again")
    other = open_store("sqlite:///data/hissmark.db", again.folder)
    assert read(Reader(other, again.archive)) == before
    assert len(before) == 500 + 2 * 4 * 100 - 1  # the very first is there already
    writer.close()
    engine.dispose()
    other.dispose()


def spread(days: int) -> Batch:
    at = np.repeat(np.arange(days * 100, dtype=np.int64) * (DAY_US // 100), 2)
    series = np.tile(np.array([0, 1], np.int32), days * 100)
    return Batch(series, NOW_US + at, at / 7.0, np.zeros(len(at), np.uint8))


def read(reader: Reader) -> list[tuple[int, int, float, int]]:
    found: list[tuple[int, int, float, int]] = []
    for page in reader.raw(NAMES, 0, 1 << 62):
        columns = (page.series, page.time_us, page.value, page.flags)
        found += zip(*(c.tolist() for c in columns), strict=True)
    return found
