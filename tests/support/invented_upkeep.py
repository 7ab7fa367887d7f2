"""Register and baselines of the invented plant: versions on record as ever, taken over at once.

The baselines are made by hand, in an engine of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from hissmark.engine.change import Change, ChangeRefusedError
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.publish.live import LiveState
from hissmark.site.candidate import register_of
from hissmark.site.register_text import register_text
from hissmark.store import registers
from hissmark.store.changes import record_change
from hissmark.store.reader import Reader
from hissmark.store.registers import IN_FORCE, RegisterVersion
from hissmark.upkeep.baseline_desk import BaselineDesk
from hissmark.upkeep.register_book import RegisterBook
from hissmark.web import ActionOutcome

DAY_US = 86_400_000_000


class Book(RegisterBook):
    """Versions that come into force while somebody waits for them."""

    def __init__(self, folder: Path, reading: sa.Engine, writing: sa.Engine, live: LiveState) -> None:
        super().__init__(folder, reading, writing)
        self._engine, self._live = writing, live

    def wait_for(self, number: int, for_s: float) -> RegisterVersion:
        version = self.version(number)
        assert version is not None
        register = register_of(version.text)
        with self._engine.begin() as connection:
            registers.settle(connection, number, IN_FORCE, applied_us=self._live.clock.now_us())
        self._live.use_layout(Layout.of(register, self._live.layout.settings))
        return super().wait_for(number, for_s)


class Upkeep:
    """What the web context wants of register and baselines."""

    def __init__(
        self, folder: Path, register: Register, live: LiveState, reader: Reader, reading: sa.Engine,
        writing: sa.Engine,
    ) -> None:  # fmt: skip
        (folder / "site.toml").write_text('name = "North works"\n', "utf-8")
        (folder / "register.csv").write_text(register_text(register), "utf-8")
        self.book = Book(folder, reading, writing, live)
        self._live, self._writing = live, writing
        self.engine = Engine(live.layout)
        self._learn(live.clock.now_us())
        self.desk = BaselineDesk(self._read, reader, self.book, live.layout.settings, live.clock.now_us)

    def change(self, change: Change) -> ActionOutcome:
        """Take a change up at once."""
        number = record_change(self._writing, change, self._live.clock.now_us())
        outcome, applied_us = "applied", self._live.clock.now_us()
        try:
            self.engine.change(self.engine.admit(change))
        except ChangeRefusedError as error:
            return ActionOutcome(False, str(error), number)
        with self._writing.begin() as connection:
            text = "UPDATE actions SET outcome = :outcome, applied_after_us = :at WHERE id = :id"
            connection.execute(sa.text(text), {"outcome": outcome, "at": applied_us, "id": number})
        return ActionOutcome(True, "applied", number, applied_us)

    def _read(self, look: Callable[[Engine], Any]) -> Any:
        return look(self.engine)

    def _learn(self, now_us: int) -> None:
        """All have learned; the second has drifted to its bound, the last is still learning."""
        self.engine.intake.tick_us[:] = now_us  # changes count from the last tick on
        bank, n = self.engine.stepper.baselines, len(self.engine.layout.channels)
        bank.value[:, 0] = bank.anchor[:, 0] = 24.0 + np.arange(n) % 5
        bank.scale[:, 0], bank.learned[:, 0], bank.entries[:, 0] = 0.7, True, 70
        bank.since_us[:, 0], bank.taken_us[:] = now_us - 40 * DAY_US, now_us - 600_000_000
        bank.usual_spread[:] = 2.5
        if n > 2:
            bank.value[1, 0] += bank.settings.max_drift_db
            bank.learned[n - 1, 0], bank.entries[n - 1, 0] = False, 3
            bank.value[n - 1, 0] = bank.anchor[n - 1, 0] = np.nan
