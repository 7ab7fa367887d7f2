"""Sites for the commands: one that has never run, one that has."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from cli import known_site as known
from hissmark.decode.columns import UnknownName
from hissmark.store import Writer, open_store
from hissmark.store.records import Reading, VerdictChange


@pytest.fixture
def fresh_site(tmp_path: Path) -> Path:
    """A site folder that has never run."""
    folder = tmp_path / "north"
    folder.mkdir()
    (folder / "site.toml").write_text(known.SETTINGS, "utf-8")
    (folder / "register.csv").write_text(known.REGISTER, "utf-8")
    return folder


@pytest.fixture
def site(fresh_site: Path) -> Path:
    """The same after three hours: XV-101 passing and heard at XV-102, one sensor fault come and gone."""
    engine = open_store("sqlite:///data/hissmark.db", fresh_site)
    with Writer(engine, known.NAMES) as writer, writer.transaction() as tx:
        tx.samples(known.samples())
        tx.journal(known.journal())
        tx.ticks([("panel", known.panel_ticks())])
        tx.readings(
            [
                Reading(
                    "panel",
                    known.START_US + known.TICKS * known.MIN,
                    msgspec.json.encode(known.panel_reading()).decode(),
                )
            ]
        )
        tx.verdict_changes(
            [
                VerdictChange(
                    "XV-101", known.START_US + 60 * known.MIN, "passing", "highest steady rise", "XV-101"
                )
            ]
        )
        tx.unknown({"AX-77": UnknownName("AX-77", "plant/x", known.START_US, known.START_US, 12, 41.5)})
    engine.dispose()
    return fresh_site
