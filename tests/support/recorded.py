"""A rig whose plant is put on record as the service would: samples, history, and now and then the state."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import Batch
from hissmark.site.load import load_site
from hissmark.store import Writer, open_store
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

    def feed(self, batch: Batch) -> npt.NDArray[np.uint8]:
        known = len(self.ticks)
        flags = super().feed(batch)
        with self.writer.transaction() as tx:
            tx.samples(Batch(batch.series, batch.time_us, batch.value, flags))
            tx.ticks(blocks_of(self.ticks[known:], self.layout))
        return flags

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
        with Writer(store, rig.layout.names) as rig.writer:
            yield rig
    finally:
        store.dispose()
