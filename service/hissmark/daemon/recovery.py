"""From the store back to a living engine: the last saved state, then everything stored since."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields

import numpy as np
import structlog

from hissmark.alarms.bank import ActionRefusedError
from hissmark.alarms.journal import Action, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.readings import Tick
from hissmark.engine.snapshot import SnapshotError
from hissmark.store.reader import Reader
from hissmark.store.recall import hand_over, judged_once
from hissmark.store.records import ActionRow

log = structlog.get_logger("hissmark.daemon")

CHUNK = 200_000
TICKS_AT_ONCE = 240
"""After so many ticks their outcome is handed on, however many samples are still to come."""


@dataclass(slots=True)
class Recovered:
    """What came out again while the engine caught up; storing it twice changes nothing."""

    ticks: list[Tick]
    entries: list[JournalEntry]


def recover(
    engine: Engine, reader: Reader, on_chunk: Callable[[Recovered], None], since_us: int | None = None
) -> None:
    """Restore `engine` and feed it what was stored since; `on_chunk` gets the outcome piece by piece.

    `since_us`: where an engine begins that knows nothing yet; None: with the first sample on record.
    """
    log.info("catching up with what is stored")
    _restore(engine, reader)
    for row in hand_over(engine, reader):
        log.warning("a change on record means nothing any more", change=row.id, subject=row.change.subject)
    start_us = since_us if engine.resume_from_us is None else engine.resume_from_us
    if start_us is None:
        extent = reader.sample_extent()
        if extent is None:
            return
        start_us = extent.first_us
    feed(engine, reader, start_us, on_chunk)


def feed(engine: Engine, reader: Reader, start_us: int, on_chunk: Callable[[Recovered], None]) -> None:
    """Feed an engine what is stored from a time on, with the operators' actions it does not contain yet."""
    actions = _Actions(engine, reader)
    for batch in _gathered(reader.samples_after(engine.layout.names, start_us)):
        engine.accept(judged_once(batch, engine.layout))
        found = Recovered([], actions.due())
        for tick in engine.ticks():
            found.ticks.append(tick)
            found.entries += [*tick.entries, *actions.due()]
            if len(found.ticks) >= TICKS_AT_ONCE:
                on_chunk(found)
                found = Recovered([], [])
        on_chunk(found)


def _restore(engine: Engine, reader: Reader) -> None:
    saved = reader.engine_state()
    if saved is None:
        return
    try:
        for note in engine.restore(saved.payload):
            log.warning("saved state does not fit the register", note=note)
    except SnapshotError as error:
        log.error("saved state cannot be used; the engine judges what is stored anew", reason=str(error))


def _gathered(batches: Iterator[Batch]) -> Iterator[Batch]:
    """Larger pieces, so that ticks run in long stretches."""
    waiting: list[Batch] = []
    for batch in batches:
        waiting.append(batch)
        if sum(map(len, waiting)) >= CHUNK:
            yield _joined(waiting)
            waiting = []
    if waiting:
        yield _joined(waiting)


def _joined(parts: list[Batch]) -> Batch:
    return Batch(
        np.concatenate([p.series for p in parts]),
        np.concatenate([p.time_us for p in parts]),
        np.concatenate([p.value for p in parts]),
        np.concatenate([p.flags for p in parts]),
    )


class _Actions:
    """Operator actions that the saved state does not contain, in order, each due after its tick."""

    def __init__(self, engine: Engine, reader: Reader) -> None:
        self._engine = engine
        self._waiting = [
            a for a in all_actions_after(reader, engine.action_id) if a.applied_after_us is not None
        ]

    def due(self) -> list[JournalEntry]:
        entries: list[JournalEntry] = []
        while self._waiting:
            row = self._waiting[0]
            if self._engine.act_time_us(row.request.valve) < (row.applied_after_us or 0):
                break
            self._waiting.pop(0)
            try:
                entries += self._engine.act(action_of(row))
            except ActionRefusedError as error:
                log.warning("an action on record means nothing any more", action=row.id, reason=str(error))
        return entries


def action_of(row: ActionRow) -> Action:
    """An action on record as the engine takes it."""
    asked = row.request
    return Action(**{f.name: getattr(asked, f.name) for f in fields(asked)}, id=row.id)


def all_actions_after(reader: Reader, action_id: int) -> list[ActionRow]:
    """Actions with a higher number, oldest first."""
    found: list[ActionRow] = []
    before: int | None = None
    while True:
        page = reader.actions(before_id=before, limit=500)
        fresh = [row for row in page if row.id > action_id]
        found += fresh
        if len(fresh) < len(page) or not page:
            return found[::-1]
        before = page[-1].id
