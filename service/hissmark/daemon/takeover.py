"""A new register is taken over between two ticks: no sample is lost, nothing is judged twice.

The engine's state, saved and restored by name, goes on under the new register. In one transaction the state
under it, all that was judged before, and the note that the version is in force become durable: before that
moment a restart finds the old register, after it the new one, and never has to go back across the change.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
import structlog

from hissmark.decode.decoder import Decoder
from hissmark.engine.engine import Engine
from hissmark.engine.intake import NEVER
from hissmark.engine.known_baselines import baselines_of_channel
from hissmark.engine.layout import LEVEL, PROCESS, Layout
from hissmark.engine.register import Register
from hissmark.engine.settings import CoreSettings
from hissmark.site.candidate import digest_of_file, register_of
from hissmark.site.problems import SiteError
from hissmark.site.register_diff import renamed_groups
from hissmark.site.register_file import write_register
from hissmark.site.register_text import digest_of, register_text
from hissmark.store import registers
from hissmark.store.errors import StoreError, in_words
from hissmark.store.open import place_of
from hissmark.store.registers import IN_FORCE, OVERTAKEN, How, NewVersion, RegisterVersion
from hissmark.store.writer import Transaction
from hissmark.upkeep.register_book import RegisterBook

log = structlog.get_logger("hissmark.daemon")

LOOK_S = 0.5
"""How often a new register is looked for."""


@dataclass(frozen=True)
class Taken:
    """A register as the engine goes on under it.

    Attributes:
        after_us: group -> its last tick before. left_behind: what sensors that leave their place had learned.
        notes: what of the state no longer fits. settings_version: settings and register, for the record.
    """

    version: RegisterVersion
    engine: Engine
    decoder: Decoder
    after_us: dict[str, int]
    left_behind: list[dict[str, Any]]
    notes: list[str]
    settings_version: str

    def record(self, tx: Transaction) -> npt.NDArray[np.int32]:
        """Put on record that it is in force; returns the numbers of its names, for `Writer.adopt`."""
        layout = self.engine.layout
        ids = tx.use_names(layout.names, kinds_of(layout))
        tx.register_in_force(self.version.id, self.after_us, self.left_behind)
        tx.settings_version(self.settings_version)
        return ids


class Takeover:
    """Which register is in force, and the way to the next one. Used by the thread that owns the engine."""

    def __init__(
        self,
        folder: Path,
        core: CoreSettings,
        store: sa.Engine,
        settings_version: Callable[[Register], str],
        reading: sa.Engine | None = None,
    ) -> None:
        """`settings_version`: settings and a register as one text, for the record. `reading`: the same store,
        opened for reading.
        """
        self._folder, self._core, self._store = folder, core, store
        self._settings_version = settings_version
        self.book = RegisterBook(folder, reading or store, store)
        self.on_taken: Callable[[Layout], None] = lambda layout: None
        self.since_us: int | None = None
        """When the register in force came into force, None if it is the first."""
        self._look_due = 0.0

    def at_start(self, found: Register, now_us: int) -> Register:
        """The register to go on under after a start. `found`: what register.csv says now.

        If that is not what was in force, the service first catches up under the register that was, and then
        takes over the new one: what came in before it stopped was heard under the old.
        """
        digest = digest_of(found)
        with in_words(place_of(self._store.url)), self._store.begin() as connection:
            waiting, present = registers.waiting(connection), registers.in_force(connection)
            if waiting is not None and digest not in (waiting.digest, present.digest if present else ""):
                registers.settle(connection, waiting.id, OVERTAKEN)
                waiting = None
            if present is None:
                number = waiting.id if waiting else _add_found(connection, found, None, now_us)
                registers.settle(connection, number, IN_FORCE, applied_us=now_us)
                return found
            if waiting is None and digest != present.digest:
                _add_found(connection, found, present.id, now_us)
        self.since_us = present.applied_us if present.base_id is not None else None
        return found if digest == present.digest else register_of(present.text)

    def waiting(self) -> RegisterVersion | None:
        """The version to take over next, looked for now and then. None while the store is away."""
        if time.monotonic() < self._look_due:
            return None
        self._look_due = time.monotonic() + LOOK_S
        try:
            return self.book.waiting()
        except StoreError as error:
            if not error.retry:
                raise
            return None

    def prepare(self, version: RegisterVersion, engine: Engine, decoder: Decoder) -> Taken | None:
        """The engine under the new register; None if that cannot be, which is then on record."""
        try:
            self._write_file(version)
            layout = Layout.of(register_of(version.text), self._core)
            following = Engine(layout)
            notes = following.restore(engine.snapshot())
        except (SiteError, ValueError) as error:
            self._refuse(version, str(error))
            return None
        after_us = {
            name: int(tick)
            for name, tick in zip(engine.layout.group_names, engine.intake.tick_us, strict=True)
            if tick > NEVER
        }
        left = left_behind(engine, layout)
        settings = self._settings_version(layout.register)
        reads = decoder.under(layout.series_index(), levels_of(layout))
        return Taken(version, following, reads, after_us, left, notes, settings)

    def done(self, taken: Taken) -> None:
        """The engine goes on under it."""
        version = taken.version
        log.info("register taken over", version=version.id, how=version.how, operator=version.operator)
        for note in taken.notes:
            log.info("learned state does not fit the register", note=note)
        self.on_taken(taken.engine.layout)

    def _write_file(self, version: RegisterVersion) -> None:
        """Whoever asked may have been cut short before the file was in its place."""
        if digest_of_file(self._folder) != version.digest:
            write_register(self._folder, version.text)

    def _refuse(self, version: RegisterVersion, reason: str) -> None:
        log.error("a new register cannot be taken over", version=version.id, reason=reason)
        with in_words(place_of(self._store.url)), self._store.begin() as connection:
            registers.settle(connection, version.id, f"refused: {reason}")


def kinds_of(layout: Layout) -> dict[str, str]:
    """What each known name is: level, percentile or process."""
    words = {LEVEL: "level", PROCESS: "process"}
    rows = zip(layout.input_series.tolist(), layout.input_role.tolist(), strict=True)
    return {layout.names[s]: words.get(role, "percentile") for s, role in rows}


def levels_of(layout: Layout) -> list[str]:
    """The names that are levels, or percentiles of them."""
    return [name for name, kind in kinds_of(layout).items() if kind != "process"]


def left_behind(engine: Engine, following: Layout) -> list[dict[str, Any]]:
    """What channels that are gone, or sit elsewhere now, had learned; for whoever wants to copy it."""
    stays = {(c.name, c.subject, c.group) for c in following.channels}
    renamed = renamed_groups(engine.layout.register, following.register)
    return [
        asdict(baseline)
        for i, c in enumerate(engine.layout.channels)
        if (c.name, c.subject, renamed.get(c.group, c.group)) not in stays
        for baseline in baselines_of_channel(engine, i)
    ]


def _add_found(connection: sa.Connection, found: Register, base_id: int | None, now_us: int) -> int:
    text = register_text(found)
    comment = "" if base_id is None else "edited while the service was stopped"
    version = NewVersion("", comment, How.FOUND, text, digest_of(found), base_id)
    return registers.add(connection, version, now_us)
