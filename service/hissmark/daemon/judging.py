"""One round of judgement: what operators asked for, then what came in, through decoder and engine."""

from __future__ import annotations

import time

import structlog

from hissmark.alarms.bank import ActionRefusedError
from hissmark.daemon.commit import LONGEST_RETRY_S, StoreTrouble
from hissmark.daemon.recovery import action_of
from hissmark.daemon.work import Parts, Work
from hissmark.decode.columns import Batch, RejectReason
from hissmark.decode.message import Message
from hissmark.engine.change import ChangeRefusedError
from hissmark.engine.engine import Engine
from hissmark.engine.readings import Tick
from hissmark.ingest.clocks import Clocks
from hissmark.publish.pulse import STORING
from hissmark.store.errors import StoreError
from hissmark.store.records import ActionRow, ChangeRow

log = structlog.get_logger("hissmark.daemon")

LOOK_S = 0.1
"""How often operator actions are looked for while messages keep coming."""


class Judging:
    """Carries out actions and changes, decodes and judges; puts nothing on record itself."""

    def __init__(self, engine: Engine, trouble: StoreTrouble) -> None:
        self._clocks = clocks_of(engine)
        self._trouble = trouble
        self._look_due_s = 0.0

    def go_on_with(self, engine: Engine) -> None:
        """Another engine, or one that has caught up: what its channels' clocks are known for is in it."""
        self._clocks = clocks_of(engine)

    def judge(self, parts: Parts, messages: list[Message]) -> Work:
        """What comes of the messages; actions and changes that wait are carried out first."""
        work = Work()
        self._take_actions(parts, work)
        if not messages:
            return work
        work.decoded = decoded = parts.decoder.decode(messages, parts.clock.now_us())
        for reject in decoded.rejects:
            if reject.reason is RejectReason.UNREADABLE:
                log.error(
                    "a message cannot be read and was turned away", topic=reject.topic, why=reject.detail
                )
        work.found = self._clocks.observe(decoded.batch, messages[-1].received_us)
        flags = parts.engine.accept(decoded.batch)
        work.batch = Batch(decoded.batch.series, decoded.batch.time_us, decoded.batch.value, flags)
        for tick in _timed_ticks(parts):
            work.ticks.append(tick)
            work.entries += tick.entries
        return work

    def _take_actions(self, parts: Parts, work: Work) -> None:
        for row in self._pending(parts):
            try:
                at_us = _change(parts, row) if isinstance(row, ChangeRow) else _act(parts, row, work)
                work.outcomes.append((row.id, at_us, "applied"))
            except (ActionRefusedError, ChangeRefusedError) as error:
                work.outcomes.append((row.id, None, str(error)))

    def _pending(self, parts: Parts) -> list[ActionRow | ChangeRow]:
        """What waits to be carried out. Nothing while the store is away: it is on record and stays there."""
        if time.monotonic() < self._look_due_s:
            return []
        try:
            with parts.live.pulse.during(STORING):
                waiting = parts.reader.pending_actions()
        except StoreError as error:
            if not error.retry:
                raise
            self._trouble.say(str(error))
            self._look_due_s = time.monotonic() + LONGEST_RETRY_S / 5
            return []
        self._trouble.say("")
        self._look_due_s = time.monotonic() + LOOK_S
        return waiting


def clocks_of(engine: Engine) -> Clocks:
    """A watch over the clocks of an engine's channels that knows what is on record."""
    return Clocks(engine.layout, engine.stepper.health.clock_wrong)


def _act(parts: Parts, row: ActionRow, work: Work) -> int:
    """Carry out an action on an alarm; returns after which tick."""
    at_us = parts.engine.act_time_us(row.request.valve)
    work.entries += parts.engine.act(action_of(row))
    return at_us


def _change(parts: Parts, row: ChangeRow) -> int:
    """Take up a change; returns the time from which it counts."""
    change = parts.engine.admit(row.change)
    parts.engine.change(change)
    log.info("change taken up", kind=change.kind, subject=change.subject, operator=change.operator)
    return change.effective_us


def _timed_ticks(parts: Parts) -> list[Tick]:
    ticks = []
    began_s = time.perf_counter()
    for tick in parts.engine.ticks():
        ticks.append(tick)
        now_s = time.perf_counter()
        parts.metrics.tick_s.observe(now_s - began_s)
        parts.metrics.ticks.inc(len(tick.groups))
        began_s = now_s
    return ticks
