"""A rig whose plant is put on record as the service would: samples, history, and now and then the state."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.recovery import feed
from hissmark.daemon.takeover import Takeover
from hissmark.decode.columns import Batch
from hissmark.decode.decoder import Decoder
from hissmark.engine.change import Change
from hissmark.engine.readings import Tick
from hissmark.engine.register import Register
from hissmark.site.load import load_site
from hissmark.site.register_file import write_register
from hissmark.site.register_text import register_text
from hissmark.store import Writer, open_store
from hissmark.store.actions import pending
from hissmark.store.changes import record_change
from hissmark.store.reader import Reader
from hissmark.store.records import ChangeRow
from hissmark.store.ticked import blocks_of
from support.rig import Rig

SETTINGS = (
    'name = "North works"\n[store]\nurl = "sqlite:///data/hissmark.db"\n'
    "[baseline]\nlearn_s = 3600\nlearn_windows = 5\n"
)
REGISTER = """\
channel,kind,valve,group,position,closed_when
AE-4,valve,XV-4,header,0,
AE-2,valve,XV-2,header,1,
AE-1,valve,XV-1,header,2,ZT-1 < 2
AE-3,valve,XV-3,header,3,
AE-5,valve,XV-5,header,4,
"""


def write_site(folder: Path, more: str = "") -> Path:
    """A site folder that learns quickly."""
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(SETTINGS + more, "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    return folder


class RecordedRig(Rig):
    """Everything that is fed goes into the store; `save` adds the engine's state."""

    writer: Writer
    store: sa.Engine

    def feed(self, batch: Batch) -> npt.NDArray[np.uint8]:
        known = len(self.ticks)
        flags = super().feed(batch)
        with self.writer.transaction() as tx:
            tx.samples(Batch(batch.series, batch.time_us, batch.value, flags))
            tx.ticks(blocks_of(self.ticks[known:], self.layout))
        return flags

    def change(self, wanted: Change) -> int:
        """A change on record and in the engine; its number."""
        number = record_change(self.store, wanted, 0)
        self.take_up()
        return number

    def take_up(self) -> None:
        """Apply what was put on record since, as the worker does between two rounds."""
        with self.store.connect() as connection:
            waiting = pending(connection, 100)
        for row in waiting:
            assert isinstance(row, ChangeRow)
            known = replace(self.engine.admit(row.change), id=row.id)
            self.engine.change(known)
            with self.writer.transaction() as tx:
                tx.action_applied(row.id, known.effective_us, "applied")

    def go_on_under(self, register: Register, folder: Path) -> None:
        """Another register comes into force, as the worker takes it over between two rounds."""
        takeover = Takeover(folder, self.settings, self.store, lambda known: "{}")
        takeover.at_start(self.layout.register, 0)
        write_register(folder, register_text(register))
        takeover.at_start(register, 0)
        version = takeover.waiting()
        assert version is not None
        series = self.layout.series_index()
        taken = takeover.prepare(version, self.engine, Decoder((), series))
        assert taken is not None
        with self.writer.transaction() as tx:
            tx.engine_state(taken.engine.snapshot())
            ids = taken.record(tx)
        self.writer.adopt(ids)
        self.engine, self.layout = taken.engine, taken.engine.layout
        self.channels = self.layout.channels
        start_us = self.engine.resume_from_us
        if start_us is not None:
            reader = Reader(self.store, None)
            feed(self.engine, reader, start_us, lambda found: self._judged(found.ticks, found.entries))

    def _judged(self, ticks: list[Tick], entries: list[JournalEntry]) -> None:
        self.ticks += ticks
        self.journal += entries

    def save(self) -> None:
        with self.writer.transaction() as tx:
            tx.engine_state(self.engine.snapshot())


@contextmanager
def recording(folder: Path) -> Iterator[RecordedRig]:
    """A rig on the register and settings of a site folder."""
    site = load_site(folder)
    rig = RecordedRig(site.register.channels, site.core)
    store = open_store(site.store_url, folder)
    try:
        rig.store = store
        with Writer(store, rig.layout.names) as rig.writer:
            yield rig
    finally:
        store.dispose()
