"""A site at work without broker and clock: judged, stored, filled in; for the tests of back-fill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from hissmark.daemon.filling import Filling, checkpoint_if_due, late_marks, marks_for
from hissmark.daemon.record import changes_of
from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.reader import Reader
from hissmark.store.ticked import blocks_of
from support.rig import QUICK, START_US, row_of_valves

URL = "sqlite:///data/hissmark.db"
CHANNELS = [*row_of_valves(5), *row_of_valves(3, "yard", closed_when="ZT-9 < 2")]


@dataclass
class Site:
    """Feeds batches as the worker does; `fill` works off what is marked."""

    folder: Path
    channels: Sequence[Channel] = field(default_factory=lambda: CHANNELS)

    def __post_init__(self) -> None:
        self.layout = Layout.of(Register.of(self.channels), QUICK)
        self.engine = Engine(self.layout)
        self.store = open_store(URL, self.folder)
        self.now_us = START_US
        kinds = {n: "level" if n.startswith("AE") else "process" for n in self.layout.names}
        self.writer = Writer(self.store, self.layout.names, kinds=kinds, now_us=lambda: self.now_us)
        self.reader = Reader(open_for_reading(URL, self.folder))
        self._checkpoint_us: int | None = None

    def close(self) -> None:
        self.writer.close()
        self.reader.close()
        self.store.dispose()

    def feed(self, batch: Batch) -> None:
        """A round of the worker."""
        if len(batch):
            self.now_us = max(self.now_us, int(batch.time_us.max()))
        flags = self.engine.accept(batch)
        stored = Batch(batch.series, batch.time_us, batch.value, flags)
        ticks = list(self.engine.ticks())
        with self.writer.transaction() as tx:
            if tx.samples(stored):
                tx.late(late_marks(stored, self.layout))
            for tick in ticks:
                tx.journal(tick.entries)
                tx.verdict_changes(changes_of(tick, self.layout))
            tx.ticks(blocks_of(ticks, self.layout))
            tx.engine_state(self.engine.snapshot())
            if checkpoint_if_due(tx, self.engine, self._checkpoint_us, self.now_us):
                self._checkpoint_us = self.now_us

    def import_(self, batch: Batch) -> None:
        """As an import does: stored and marked, not shown to the engine."""
        with self.writer.transaction() as tx:
            tx.samples(batch)
            tx.late(marks_for(self.layout, batch.series, batch.time_us, "import"))

    def fill(self) -> None:
        for mark in self.reader.backfill_marks():
            filling = Filling(self.reader, self.layout, mark)
            for portion in filling.portions():
                with self.writer.transaction() as tx:
                    filling.put(tx, portion)
            filling.end(self.engine, self.writer, lambda tx: tx.engine_state(self.engine.snapshot()))

    def told(self) -> dict[str, Any]:
        """What is on record: levels and verdicts of every channel, changes of verdicts."""
        found: dict[str, Any] = {}
        for c in self.layout.channels:
            h = self.reader.history(c.group, c.name, 0, 1 << 62)
            columns = ("level_db", "baseline_db", "rise_db", "verdict", "reason", "open_")
            found[c.name] = {"at": h.time_us.tolist(), **{n: getattr(h, n).tobytes() for n in columns}}
        changes = [row.change for row in self.reader.verdict_changes(limit=100_000)]
        found["changes"] = sorted(map(repr, changes))
        return found

    def journal(self) -> list[tuple[tuple[Any, ...], str]]:
        return [(row.entry.key, row.entry.origin) for row in self.reader.journal(limit=100_000)]


def plant(layout: Layout, hours: float, seed: int = 5) -> Batch:
    """Samples every 20 s of every channel, XV-2 leaking from 3 h on, a position tag each minute."""
    rng = np.random.default_rng(seed)
    index = layout.series_index()
    parts = []
    for i, channel in enumerate(layout.channels):
        t = np.arange(0.0, hours * 3600, 20.0) + rng.uniform(0, 5)
        leak = {"AE-2": 16.0, "AE-1": 9.0, "AE-3": 9.0, "AE-4": 4.0}.get(channel.name, 0.0)
        value = 22.0 + i + rng.normal(0, 0.4, len(t)) + np.where(t >= 3 * 3600, leak, 0.0)
        parts.append((np.full(len(t), index[channel.source]), t, value))
    t = np.arange(0.0, hours * 3600, 60.0)
    parts.append((np.full(len(t), index["ZT-9"]), t, np.where((t > 5000) & (t < 6000), 80.0, 0.5)))
    series, t, value = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(t, kind="stable")
    times = START_US + np.round(t * 1e6).astype(np.int64)
    return Batch(series[order].astype(np.int32), times[order], value[order], np.zeros(len(order), np.uint8))


def some(batch: Batch, rows: Any) -> Batch:
    return Batch(batch.series[rows], batch.time_us[rows], batch.value[rows], batch.flags[rows])


def in_rounds(batch: Batch, every_s: float = 300.0) -> list[Batch]:
    """Cut by time."""
    cut = (batch.time_us - START_US) // int(every_s * 1e6)
    return [some(batch, cut == c) for c in np.unique(cut)]
