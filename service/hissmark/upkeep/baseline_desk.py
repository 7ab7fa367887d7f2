"""Baselines in hand: looked at, ranked by what needs a look, approved, held, copied, taken from a period.

Everything that changes one goes on record as a change and counts from the next tick.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from hissmark.engine.change import BaselineStep, Change, baseline_change
from hissmark.engine.engine import Engine
from hissmark.engine.known_baselines import Baseline, baselines_of
from hissmark.engine.settings import CoreSettings
from hissmark.store.reader import Reader
from hissmark.upkeep.needs import Need, needs_of
from hissmark.upkeep.periods import PeriodError, baseline_in
from hissmark.upkeep.register_book import RegisterBook

KEPT_S = 5.0
"""How long what was read of the engine is shown before it is read anew."""

ReadEngine = Callable[[Callable[[Engine], list[Baseline]]], list[Baseline]]
"""Lets a function look at the engine: the living one, or a copy of the saved state."""


class BaselineError(ValueError):
    """What was asked of a baseline cannot be done; the message says why."""


class BaselineDesk:
    """Reads baselines, and makes the changes that people want of them. Any thread may use it."""

    def __init__(
        self,
        read: ReadEngine,
        reader: Reader,
        book: RegisterBook,
        settings: CoreSettings,
        now_us: Callable[[], int],
    ) -> None:
        self._read, self._reader, self._book = read, reader, book
        self._settings, self._now_us = settings, now_us
        self._lock = threading.Lock()
        self._kept: list[Baseline] = []
        self._kept_until_s = 0.0

    def baselines(self, *, fresh: bool = False) -> list[Baseline]:
        """Every baseline, a few seconds old at most. Raises TimeoutError if the service is too busy."""
        with self._lock:
            if fresh or time.monotonic() >= self._kept_until_s:
                self._kept = self._read(baselines_of)
                self._kept_until_s = time.monotonic() + KEPT_S
            return self._kept

    def of(self, channel: str, *, fresh: bool = False) -> list[Baseline]:
        """Those of one channel, by its name or its valve's tag. Raises BaselineError if there is none."""
        found = [b for b in self.baselines(fresh=fresh) if channel in (b.channel, b.subject)]
        if not found:
            raise BaselineError(f"There is no channel or valve {channel!r} with a baseline.")
        return found

    def needs(self) -> list[Need]:
        """Baselines that need a look, the most urgent first."""
        baseline = self._settings.baseline
        return needs_of(
            self.baselines(), self._now_us(), max_drift_db=baseline.max_drift_db, learn_s=baseline.learn_s
        )

    def forget(self) -> None:
        """Something has changed: read the engine anew next time."""
        with self._lock:
            self._kept_until_s = 0.0

    # What somebody wants; to be recorded as a change.

    def step(
        self, step: BaselineStep, channel: str, condition: int | None, operator: str, reason: str
    ) -> Change:
        """Approve, hold, release, or have learned anew from now on."""
        name = self.of(channel, fresh=True)[0].channel
        return baseline_change(step, name, operator, reason, condition=condition)

    def from_period(
        self, channel: str, condition: int, from_us: int, to_us: int, operator: str, reason: str
    ) -> Change:
        """The baseline as it was heard in a period of the history. Raises BaselineError."""
        known = self.of(channel, fresh=True)
        own = next((b for b in known if b.condition == condition), None)
        parts = self._reader.history_parts(known[0].group, known[0].channel, from_us, to_us)
        several = sum(b.learned for b in known) > 1
        try:
            found = baseline_in(parts, own.value_db if own else None, several)
        except PeriodError as error:
            raise BaselineError(str(error)) from None
        basis = {"from_us": from_us, "to_us": to_us, "ticks": found.ticks, "of": found.of}
        return baseline_change(
            BaselineStep.SET, known[0].channel, operator, reason, condition=condition,
            value_db=found.value_db, scale_db=max(found.scale_db, self._settings.baseline.min_scale_db),
            basis=basis,
        )  # fmt: skip

    def copied(self, channel: str, source: str, operator: str, reason: str) -> list[Change]:
        """The baselines of `source` for `channel`: after a sensor was replaced. One change a condition.

        `source` may be a channel that has left the register, or has left its place. Raises BaselineError.
        """
        name = self.of(channel, fresh=True)[0].channel
        rows = self._learned_by(source)
        if not rows:
            raise BaselineError(f"Nothing that {source!r} has learned is on record.")
        return [
            baseline_change(
                BaselineStep.SET, name, operator, reason, condition=int(row["condition"]),
                value_db=row["value_db"], scale_db=row["scale_db"], basis={"copied_from": source},
            )
            for row in rows
        ]  # fmt: skip

    def _learned_by(self, source: str) -> list[dict[str, Any]]:
        """Of a channel in the register what it knows now, else what the last one of that name left behind."""
        present = [b for b in self.baselines() if source in (b.channel, b.subject) and b.learned]
        if present:
            return [
                {"condition": b.condition, "value_db": b.value_db, "scale_db": b.scale_db} for b in present
            ]
        for version in reversed(self._book.all_in_force()):
            left = [row for row in version.left_behind if source == row["channel"]]
            if left:
                return left
        return []


def steps_of(changes: Sequence[Change]) -> str:
    """What changes do, in a few words, for the answer to a person."""
    first = changes[0].payload
    if first["step"] != BaselineStep.SET:
        return str(first["step"])
    values = ", ".join(f"{c.payload['value_db']:.1f} dB" for c in changes)
    return f"set to {values}"
