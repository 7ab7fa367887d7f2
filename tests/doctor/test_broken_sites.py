"""What `hissmark doctor` says of sites whose folder, database, disk or data are not as they should be.

Each site has one thing wrong; the test asks for that finding and for what to do about it.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
from pathlib import Path

import pytest

from doctor.broken_sites import REGISTER, VALVE, findings, now_us, said, store, write_site
from hissmark.backup.kept import keep_backing_up
from hissmark.doctor.finding import State
from hissmark.doctor.register import look_at_register
from hissmark.site.load import load_site
from support.postgres import Postgres

LEVELS = {"AX-1": [31.0] * 6, "AX-2": [30.0] * 6}
PRESSURES = {"PT-1": [12.0] * 6, "PT-2": [11.0] * 6, "PT-9": [3.0] * 6}
HOUR_S = 3600


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_site(tmp_path / "north")


# --- what arrived ---


def test_a_site_that_is_well_is_called_well(folder: Path) -> None:
    """Nothing of what this file looks for is seen where it is not."""
    store(folder, LEVELS | PRESSURES)
    found = findings(folder)
    assert said(found, "data", State.WRONG) == ""
    for words in ("volts", "downstream", "time zone", "another interval", "one channel only"):
        assert words not in "\n".join(f.what for f in found)


@pytest.mark.parametrize(
    ("behind_s", "words"),
    [
        (HOUR_S + 2, "1 h behind"),
        (-HOUR_S + 2, "1 h ahead of"),
        (5.5 * HOUR_S + 2, "5 h 30 min behind"),  # India
    ],
)
def test_all_clocks_in_another_time_zone(folder: Path, behind_s: float, words: str) -> None:
    store(folder, LEVELS, behind_s=behind_s)
    told = said(findings(folder), "data", State.WRONG)
    assert f"The times of all names are {words} this machine's clock" in told
    assert "have the gateway send UTC" in told


@pytest.mark.parametrize("behind_s", [0, 20, 2 * HOUR_S + 400])
def test_a_delay_is_no_time_zone(folder: Path, behind_s: float) -> None:
    store(folder, LEVELS, behind_s=behind_s)
    assert "time zone" not in said(findings(folder), "data", State.WRONG)


def test_what_a_gateway_sends_later_in_one_go_is_no_time_zone(folder: Path) -> None:
    """An hour of samples that all arrive at once, an hour late."""
    store(folder)
    site = load_site(folder)
    import numpy as np

    from hissmark.decode.columns import Batch
    from hissmark.store import Writer, open_store

    engine = open_store(site.store_url, folder)
    writer = Writer(engine, ("AX-1",))
    times = now_us() - HOUR_S * 1_000_000 - np.arange(60, dtype=np.int64) * 60_000_000
    with writer.transaction() as tx:
        tx.samples(Batch(np.zeros(60, np.int32), times, np.full(60, 30.0), np.zeros(60, np.uint8)))
    writer.close()
    engine.dispose()
    assert "time zone" not in said(findings(folder), "data", State.WRONG)


def test_volts_for_decibels(folder: Path) -> None:
    store(folder, {"AX-1": [0.00312] * 6, "AX-2": [30.0] * 6})
    told = said(findings(folder), "data", State.LOOK)
    assert "1 levels never pass 0.00312: AX-1. Are these volts?" in told
    assert "20 lg(U/Uref)" in told


def test_pressures_that_are_swapped(folder: Path) -> None:
    store(folder, LEVELS | {"PT-1": [2.0] * 6, "PT-2": [11.0] * 6, "PT-9": [3.0] * 6})
    told = said(findings(folder), "data", State.LOOK)
    assert (
        "At 1 valves the pressure is higher downstream than upstream: XV-1 (PT-1 2 bar, PT-9 3 bar)" in told
    )
    assert "are swapped" in told


def test_nothing_has_arrived(folder: Path) -> None:
    store(folder)
    told = said(findings(folder), "data", State.LOOK)
    assert "Nothing of a known name has arrived yet" in told
    assert "on topics that a [[mqtt.source]] listens to" in told


# --- the register ---


def test_a_group_of_one(tmp_path: Path) -> None:
    lonely = {"channel": "AX-3", **VALVE, "group": "lonely", "valve": "XV-3", "position": 1}
    folder = write_site(tmp_path / "north", register=[*REGISTER, lonely])
    store(folder)
    told = said(findings(folder), "register", State.LOOK)
    assert "1 of 2 groups have one channel only: lonely." in told
    assert "add a reference point" in told
    assert "1 of 2 groups have no reference point: header." in told
    assert "1 of 3 valves have no `closed_when`: XV-3." in told
    assert "1 of 3 valves have no pressures: XV-3." in told


def test_no_hint_where_there_is_a_reference_point(tmp_path: Path) -> None:
    reference = {"channel": "RX-1", "kind": "reference", "group": "header", "position": 0}
    folder = write_site(tmp_path / "north", register=[reference, *REGISTER])
    store(folder)
    assert said(findings(folder), "register", State.LOOK) == ""


def test_channels_that_take_weeks_to_be_judged(tmp_path: Path) -> None:
    """200 samples at one in two hours are 16.7 days (contract: 48 hours or 200 samples, the later)."""
    register = [row | {"interval_s": 7200} for row in REGISTER]
    folder = write_site(tmp_path / "north", register=register)
    store(folder)
    told = said(findings(folder), "register", State.LOOK)
    assert "up to 17 days of test conditions until they are judged (200 samples): AX-1, AX-2." in told
    assert "import what was recorded before" in told


def test_an_interval_that_is_not_that_of_the_register(tmp_path: Path) -> None:
    """Twice or half is let pass: radios skip and repeat."""
    register = load_site(write_site(tmp_path, register=[r | {"interval_s": 10} for r in REGISTER])).register
    told = [f for f in look_at_register(register, {"AX-1": 60.0, "AX-2": 19.0}) if "interval" in f.what]
    assert [f.what for f in told] == [
        "1 channels send at another interval than the register says: AX-1 (every 60 s, register: 10 s)."
    ]
    assert "Correct interval_s" in told[0].do


# --- database and disks ---


def test_no_database_yet(folder: Path) -> None:
    assert "`hissmark run` creates it" in said(findings(folder), "database", State.WRONG)


def test_a_database_that_another_program_keeps_locked(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hissmark.store.open.BUSY_TIMEOUT_S", 0.2)
    store(folder)
    database = folder / "data" / "hissmark.db"
    connection = sqlite3.connect(database)
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    connection.execute("BEGIN EXCLUSIVE")
    connection.execute("INSERT INTO meta VALUES ('locked', 'yes')")
    try:
        told = said(findings(folder), "database", State.WRONG)
    finally:
        connection.close()
    assert "another program keeps the database locked" in told
    assert "Close what holds it" in told


def set_revision(folder: Path, revision: str) -> None:
    with sqlite3.connect(folder / "data" / "hissmark.db") as connection:
        connection.execute("UPDATE hissmark_version SET version_num = ?", (revision,))
    connection.close()


def test_a_database_of_an_older_program(folder: Path) -> None:
    store(folder)
    set_revision(folder, "0001")
    assert "older" in said(findings(folder), "database", State.WRONG)


def test_a_database_of_a_newer_program(folder: Path) -> None:
    store(folder)
    set_revision(folder, "9999")
    assert "newer" in said(findings(folder), "database", State.WRONG)


@pytest.mark.postgres
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("@127.0.0.1", "@127.0.0.2"), ""),
        (("hissmark@", "stranger@"), "refused the user or password"),
        (("/{name}", "/nowhere"), "does not exist"),
    ],
)
def test_a_postgresql_that_cannot_be_used(
    tmp_path: Path, postgres: Postgres, change: tuple[str, str], words: str
) -> None:
    name = postgres.new_database()
    old, new = (part.format(name=name) for part in change)
    url = postgres.url(name)
    assert old in url, url
    folder = write_site(tmp_path / "north", more=f'[store]\nurl = "{url.replace(old, new)}"\n')
    told = said(findings(folder), "database", State.WRONG)
    postgres.drop_database(name)
    assert told
    assert words in told


@pytest.fixture
def small_disk(tmp_path: Path) -> Path:
    """A file system of 8 MB. Needs root and the right to mount."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", folder], check=False)
    if done.returncode:
        pytest.skip("may not mount a small disk here")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def test_disks_that_are_nearly_full(small_disk: Path, tmp_path: Path) -> None:
    more = f'[store]\nurl = "sqlite:///{small_disk}/h.db"\narchive = "{small_disk}"\n'
    folder = write_site(tmp_path / "north", more=f'{more}backup_folder = "{small_disk}"\n')
    store(folder)
    found = findings(folder)
    told = said(found, "database", State.WRONG)
    assert "0.0 GB free where the database is" in told
    assert "nothing is stored, and the broker's disk fills" in told
    assert "free where the archive is" in told
    assert "older samples stay in the database" in told
    assert "free where the backups are" in told
    assert "backup_keep" in told


@pytest.mark.parametrize(
    ("days", "words"), [(0, "it grows without end"), (90, "older than 90 days are deleted")]
)
def test_without_an_archive(tmp_path: Path, days: int, words: str) -> None:
    folder = write_site(tmp_path / "north", more=f'[store]\narchive = ""\nretention_days = {days}\n')
    store(folder)
    told = said(findings(folder), "database", State.LOOK)
    assert words in told
    assert "Set archive" in told


@pytest.mark.parametrize(
    ("hours_ago", "state", "words"),
    [
        (None, State.LOOK, "There is none in kept yet"),
        (2, State.FINE, "2 h old"),
        (100, State.WRONG, "4 d 4 h old"),
    ],
)
def test_backups(tmp_path: Path, hours_ago: float | None, state: State, words: str) -> None:
    folder = write_site(tmp_path / "north", more='[store]\nbackup_folder = "kept"\n')
    store(folder)
    if hours_ago is not None:
        made_us = now_us() - int(hours_ago * HOUR_S * 1e6) - 5_000_000
        keep_backing_up(load_site(folder), folder / "kept", 7, made_us)
    assert words in said(findings(folder), "backups", state)


# --- who may read what ---


def test_secrets_that_everybody_may_read(tmp_path: Path) -> None:
    more = '[mqtt]\nhost = "127.0.0.1"\nport = 1\nclient_id = "h"\nusername = "u"\npassword_file = "word"\n'
    more += '[[mqtt.source]]\nfilter = "a/b"\n[[notify.webhook]]\nname = "w"\nurl = "https://127.0.0.1/"\n'
    folder = write_site(tmp_path / "north", more=f'{more}secret_file = "key"\n')
    for name in ("word", "key"):
        (folder / name).write_text("secret")
        (folder / name).chmod(0o644)
    (folder / "register.csv").chmod(0o666)
    told = said(findings(folder), "permissions", State.WRONG)
    assert f"may read {folder / 'word'}, the password for the broker. Run: chmod o-rwx" in told
    assert f"may read {folder / 'key'}, the key that webhooks are signed with" in told
    assert "may change register.csv. Run: chmod o-w" in told
    for name in ("word", "key", "register.csv"):
        (folder / name).chmod(0o600)
    found = findings(folder)
    assert said(found, "permissions", State.WRONG) == ""
    assert "2 keys and passwords were looked at" in said(found, "permissions", State.FINE)


def test_a_database_that_everybody_may_read(folder: Path) -> None:
    store(folder)
    above = [p for p in folder.absolute().parents if p.stat().st_mode & 0o001 == 0]
    database = folder / "data" / "hissmark.db"
    before = [(p, p.stat().st_mode) for p in above]
    try:
        for path in above:
            path.chmod(path.stat().st_mode | 0o001)
        database.chmod(0o644)
        open_wide = said(findings(folder), "permissions", State.LOOK)
        folder.chmod(0o700)
        closed = said(findings(folder), "permissions", State.LOOK)
    finally:
        for path, mode in before:
            os.chmod(path, mode)
    assert "hashes of passwords" in open_wide
    assert "chmod o-rwx" in open_wide
    assert closed == ""
