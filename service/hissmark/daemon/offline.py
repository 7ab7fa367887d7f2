"""A site whose service does not run: what came after its time is judged here and now."""

from __future__ import annotations

from collections.abc import Callable

from hissmark.daemon.filling import Filling, checkpoint_if_due
from hissmark.daemon.takeover import Takeover, kinds_of
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.snapshot import SnapshotError
from hissmark.site.load import Site
from hissmark.store.errors import StoreError
from hissmark.store.open import open_for_reading, open_store
from hissmark.store.reader import Reader
from hissmark.store.writer import Transaction, Writer


class Offline:
    """Owns the store's write side while nothing else does. Raises StoreError if a service runs.

    Used as a context manager.
    """

    def __init__(self, site: Site, now_us: int) -> None:
        self._now_us = now_us
        self._store = open_store(site.store_url, site.folder)
        try:
            self._writer = Writer(self._store, (), now_us=lambda: now_us)
        except BaseException:
            self._store.dispose()
            raise
        takeover = Takeover(site.folder, site.core, self._store, lambda register: "")
        self.layout = Layout.of(takeover.at_start(site.register, now_us), site.core)
        self._writer.use_names(self.layout.names, kinds_of(self.layout))
        self._reader = Reader(open_for_reading(site.store_url, site.folder), site.archive)
        self._checkpoint_us = self._reader.newest_checkpoint_us()
        self._engine = Engine(self.layout)

    def __enter__(self) -> Offline:
        return self

    def __exit__(self, *_: object) -> None:
        self._reader.close()
        self._writer.close()
        self._store.dispose()

    def fill(self, told: Callable[[str, int, int], None]) -> int:
        """Work off every mark; returns how many there were. `told` hears of group, ticks done, all marks
        left.
        """
        marks = self._reader.backfill_marks()
        if not marks:
            return 0
        self._restore()
        for number, mark in enumerate(marks):
            if mark.group not in self.layout.group_names:
                with self._writer.transaction() as tx:
                    tx.backfilled(mark, mark.to_us, 0, 0, 0)
                continue
            filling = Filling(self._reader, self.layout, mark)
            for portion in filling.portions():
                with self._writer.transaction() as tx:
                    filling.put(tx, portion)
                told(mark.group, filling.ticks, len(marks) - number)
            filling.end(self._engine, self._writer, self._write_state)
        return len(marks)

    def _restore(self) -> None:
        """The state as saved. What was stored after it is for the service to catch up with when it starts."""
        saved = self._reader.engine_state()
        if saved is None:
            return
        try:
            self._engine.restore(saved.payload)
        except SnapshotError as error:
            raise StoreError(f"{error}. Start `hissmark run` once; it judges what is stored anew.") from None

    def _write_state(self, tx: Transaction) -> None:
        tx.engine_state(self._engine.snapshot())
        if checkpoint_if_due(tx, self._engine, self._checkpoint_us, self._now_us):
            self._checkpoint_us = self._now_us
