"""The worker: from the queue through decoder and engine into one transaction, then the acknowledgement.

One thread, one order: decode, judge, commit, acknowledge, publish. If the store fails the same transaction is
tried again until it succeeds, and meanwhile nothing is acknowledged: the broker holds the rest.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import structlog

from hissmark.alarms.bank import ActionRefusedError
from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.clock import Clock, offset_us
from hissmark.daemon.errands import Errands
from hissmark.daemon.filling import Filling, Owner, checkpoint_if_due, late_marks
from hissmark.daemon.judged_again import Portion
from hissmark.daemon.questions import Questions
from hissmark.daemon.record import changes_of, newest_of_each_group
from hissmark.daemon.recovery import Recovered, action_of, feed, recover
from hissmark.daemon.takeover import Taken, Takeover
from hissmark.decode.columns import Batch, Decoded, Flag
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.sparkplug_nodes import NodeKey
from hissmark.engine.change import Change, ChangeRefusedError
from hissmark.engine.engine import Engine
from hissmark.engine.readings import Tick
from hissmark.ingest.clocks import Clocks
from hissmark.ingest.queue import MessageQueue
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.store.backfill import Mark
from hissmark.store.errors import StoreError
from hissmark.store.reader import Reader
from hissmark.store.records import CLOCK_OFFSET, ActionRow, ChangeRow, JournalRow, Reading, VerdictChange
from hissmark.store.ticked import blocks_of
from hissmark.store.writer import Transaction, Writer

log = structlog.get_logger("hissmark.daemon")

BATCH_MESSAGES = 20_000
WAIT_S = 0.2
PUSH_S = 0.5
"""Pages are told at most this often while a backlog is worked off."""
SAVE_S = 30.0
SAVE_TICKS = 240
SAVE_SAMPLES = 3_000_000
SAVE_SHARE = 20.0
"""State is saved so rarely that it costs at most one part in this many."""
LONGEST_RETRY_S = 5.0
LOOK_S = 0.1
"""How often operator actions are looked for while messages keep coming."""


@dataclass
class Work:
    """What one round has to put on record."""

    batch: Batch = field(default_factory=Batch.empty)
    decoded: Decoded | None = None
    ticks: list[Tick] = field(default_factory=list)
    entries: list[JournalEntry] = field(default_factory=list)
    outcomes: list[tuple[int, int | None, str]] = field(default_factory=list)
    found: list[Change] = field(default_factory=list)

    def __bool__(self) -> bool:
        decoded = self.decoded
        turned_away = bool(decoded and (decoded.rejects or decoded.unknown))
        return bool(
            len(self.batch) or turned_away or self.ticks or self.entries or self.outcomes or self.found
        )


class StoppedError(Exception):
    """Told to stop before the state was recovered; what is stored stays as it is."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What the worker works with."""

    engine: Engine
    decoder: Decoder
    queue: MessageQueue
    writer: Writer
    reader: Reader
    live: LiveState
    metrics: Metrics
    clock: Clock
    ack: Callable[[Sequence[Message]], None]
    reading_json: Callable[[Tick], list[Reading]]
    takeover: Takeover
    ask_rebirth: Callable[[Sequence[NodeKey]], None] | None = None
    """Asks Sparkplug edge nodes for their births; None if there are no such sources."""
    questions: Questions = field(default_factory=Questions)


class Worker:
    """The thread that owns the engine and the write side of the store."""

    def __init__(self, parts: Parts) -> None:
        self._p = parts
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)
        self.failure: BaseException | None = None
        self.on_failure: Callable[[], None] = lambda: None
        self._clocks = _clocks(parts.engine)
        self._unsaved: list[Tick] = []
        self._unsaved_samples = 0
        self._save_due = 0.0
        self._push_due = 0.0
        self._unpushed: list[Tick] = []
        self._look_due = 0.0
        self._told_offset_us: int | None = None
        self._asked = False
        self._trouble = ""
        self.errands: Errands[Owner] = Errands()
        self._checkpoint_us = parts.reader.newest_checkpoint_us()
        self._given_up = False
        """Told to stop while the store was away: the engine is ahead of the store and may not be saved."""

    def recover(self) -> None:
        """Bring the engine up to what is stored; before `start`. Raises StoppedError if told to."""
        recover(self._p.engine, self._p.reader, self._keep, self._p.takeover.since_us)
        self._clocks = _clocks(self._p.engine)
        self._save()

    def _keep(self, found: Recovered) -> None:
        """Put on record what came out while the engine caught up. Raises StoppedError if told to stop."""
        if self._asked or self._commit(Work(ticks=found.ticks, entries=found.entries)) is None:
            raise StoppedError
        self._save_if_due()

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def ask_to_stop(self) -> None:
        """Finish the round in hand and no more. Takes no lock, so a signal handler may call it."""
        self._asked = True

    def stop(self, timeout_s: float = 6.0) -> None:
        """Finish the round in hand, save the state, end the thread. What is queued stays unacknowledged."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        try:
            while not self._stop.is_set() and not self._asked:
                self._round(self._p.queue.get_batch(BATCH_MESSAGES, WAIT_S))
            if not self._given_up:
                self._save()
            self._push(force=True)
            self.errands.close()
        except BaseException as error:
            self.errands.close()
            self.failure = error
            said = "the worker has failed; the service stops so that nothing unsaved is acknowledged"
            if isinstance(error, StoreError):  # written for people; a traceback adds nothing
                log.error(said, reason=str(error))
            else:
                log.exception(said)
            self.on_failure()

    @property
    def engine(self) -> Engine:
        """The engine; another one once a new register was taken over."""
        return self._p.engine

    def take_over_register(self) -> None:
        """Go on under a new register if one waits. While the store is away nothing happens."""
        version = self._p.takeover.waiting()
        taken = (
            None if version is None else self._p.takeover.prepare(version, self._p.engine, self._p.decoder)
        )
        if taken is None:
            return
        self._push(force=True)  # what was judged under the old one
        if not self._save(taken):
            return
        self._p = replace(self._p, engine=taken.engine, decoder=taken.decoder)
        self._clocks = _clocks(taken.engine)
        self._p.takeover.done(taken)
        self._p.live.use_layout(taken.engine.layout)
        start_us = taken.engine.resume_from_us
        if start_us is not None:  # what waits for its tick
            feed(taken.engine, self._p.reader, start_us, self._keep)
        self._push(force=True)

    def _round(self, messages: list[Message]) -> None:
        try:
            self.take_over_register()
        except StoppedError:
            self._given_up = True
            return
        work = self._judge(messages)
        if work:
            rows = self._commit(work)
            if rows is None:
                self._given_up = True
                return
            self._p.live.heard(work.batch)
            self._p.live.journal(rows)
        if messages:
            self._p.ack(messages)
            self._count(messages, work)
        self._ask_births()
        self._p.questions.answer(self._p.engine)
        self.errands.do_one(self)
        self._save_if_due()
        self._push()

    def _ask_births(self) -> None:
        """Sparkplug data whose birth was missed cannot be understood: ask its sender for it."""
        p = self._p
        if p.ask_rebirth is None:
            return
        born, unborn = p.decoder.edge_nodes()
        p.metrics.edge_nodes.labels("born").set(born)
        p.metrics.edge_nodes.labels("not born").set(unborn)
        nodes = p.decoder.rebirths(p.clock.now_us())
        if nodes:
            p.metrics.rebirths.inc(len(nodes))
            p.ask_rebirth(nodes)

    def _judge(self, messages: list[Message]) -> Work:
        """Decode and judge; carries out operator actions and changes first."""
        p = self._p
        work = Work()
        self._take_actions(work)
        if not messages:
            return work
        work.decoded = decoded = p.decoder.decode(messages, p.clock.now_us())
        work.found = self._clocks.observe(decoded.batch, messages[-1].received_us)
        flags = p.engine.accept(decoded.batch)
        work.batch = Batch(decoded.batch.series, decoded.batch.time_us, decoded.batch.value, flags)
        for tick in self._timed_ticks():
            work.ticks.append(tick)
            work.entries += tick.entries
        return work

    def _timed_ticks(self) -> list[Tick]:
        ticks = []
        began_s = time.perf_counter()
        for tick in self._p.engine.ticks():
            ticks.append(tick)
            now_s = time.perf_counter()
            self._p.metrics.tick_s.observe(now_s - began_s)
            self._p.metrics.ticks.inc(len(tick.groups))
            began_s = now_s
        return ticks

    def _take_actions(self, work: Work) -> None:
        for row in self._pending_actions():
            try:
                at_us = self._change(row) if isinstance(row, ChangeRow) else self._act(row, work)
                work.outcomes.append((row.id, at_us, "applied"))
            except (ActionRefusedError, ChangeRefusedError) as error:
                work.outcomes.append((row.id, None, str(error)))

    def _act(self, row: ActionRow, work: Work) -> int:
        """Carry out an action on an alarm; returns after which tick."""
        at_us = self._p.engine.act_time_us(row.request.valve)
        work.entries += self._p.engine.act(action_of(row))
        return at_us

    def _change(self, row: ChangeRow) -> int:
        """Take up a change; returns the time from which it counts."""
        change = self._p.engine.admit(row.change)
        self._p.engine.change(change)
        log.info("change taken up", kind=change.kind, subject=change.subject, operator=change.operator)
        return change.effective_us

    def _pending_actions(self) -> list[ActionRow | ChangeRow]:
        """What waits to be carried out. Nothing while the store is away: it is on record and stays there."""
        if time.monotonic() < self._look_due:
            return []
        try:
            waiting = self._p.reader.pending_actions()
        except StoreError as error:
            if not error.retry:
                raise
            self._troubled(str(error))
            self._look_due = time.monotonic() + LONGEST_RETRY_S / 5
            return []
        self._troubled("")
        self._look_due = time.monotonic() + LOOK_S
        return waiting

    def _troubled(self, trouble: str) -> None:
        """Say on pages and in the log that the store is away, or that it is back."""
        if trouble == self._trouble:
            return
        news, self._trouble = bool(trouble) != bool(self._trouble), trouble
        self._p.live.report(trouble=trouble)
        if not news:  # the same in other words
            return
        if trouble:
            log.warning("the store is away; trying again, nothing is acknowledged meanwhile", reason=trouble)
        else:
            log.info("the store is back")

    def _commit(self, work: Work) -> list[JournalRow] | None:
        """Write one round; tries again while that may succeed later. None: told to stop first."""
        delay_s = 0.1
        changes = [change for tick in work.ticks for change in changes_of(tick, self._p.engine.layout)]
        late = late_marks(work.batch, self._p.engine.layout)
        while True:
            try:
                with self._p.writer.transaction() as tx:
                    new, rows = self._write(tx, work, changes)
                    if late and new:  # what was only delivered again has been judged
                        tx.late(late)
            except StoreError as error:
                if not error.retry:
                    raise
                self._troubled(str(error))
                if self._stop.wait(delay_s) or self._asked:
                    return None
                delay_s = min(2 * delay_s, LONGEST_RETRY_S)
                continue
            self._unsaved += work.ticks
            self._p.live.unsaved.add(work.ticks)
            self._unpushed += work.ticks
            self._unsaved_samples += len(work.batch)
            self._p.metrics.samples.inc(new)
            self._p.metrics.duplicates.inc(len(work.batch) - new)
            self._troubled("")
            self._p.live.report(last_commit_us=self._p.clock.now_us())
            return rows

    def _write(
        self, tx: Transaction, work: Work, changes: list[VerdictChange]
    ) -> tuple[int, list[JournalRow]]:
        new = tx.samples(work.batch)
        if work.decoded is not None and work.decoded.rejects:
            tx.rejects(work.decoded.rejects)
        if work.decoded is not None and work.decoded.unknown:
            tx.unknown(work.decoded.unknown)
        rows = tx.journal(work.entries) if work.entries else []
        if changes:
            tx.verdict_changes(changes)
        for change in work.found:
            tx.change(change)
        for action_id, at_us, outcome in work.outcomes:
            tx.action_applied(action_id, at_us, outcome)
        return new, rows

    def put_anew(self, filling: Filling, portion: Portion) -> None:
        """Put on record what a group came to when it was judged again."""
        with self._p.writer.transaction() as tx:
            filling.put(tx, portion)

    def end_filling(self, filling: Filling) -> None:
        """Go on from what a group came to; nothing if a new register came in between: it is tried again."""
        p = self._p
        if filling.layout is not p.engine.layout:
            return
        began_s = time.monotonic()
        filling.end(p.engine, p.writer, lambda tx: self._write_state(tx, p.engine.snapshot()))
        self._saved(began_s)

    def drop_mark(self, mark: Mark) -> None:
        """A group is to be judged again that is not there any more."""
        with self._p.writer.transaction() as tx:
            tx.backfilled(mark, mark.to_us, 0, 0, 0)

    def _save_if_due(self) -> None:
        much = len(self._unsaved) >= SAVE_TICKS or self._unsaved_samples >= SAVE_SAMPLES
        if (self._unsaved or self._unsaved_samples) and (much or time.monotonic() >= self._save_due):
            self._save()

    def _save(self, taken: Taken | None = None) -> bool:
        """Save the engine's state with the history up to it, in one transaction; whether that succeeded.

        `taken`: a register under which the state is to be saved and to go on.
        """
        p, began_s = self._p, time.monotonic()
        state = (taken.engine if taken else p.engine).snapshot()
        ids, now_us = None, p.clock.now_us()
        try:
            with p.writer.transaction() as tx:
                self._write_state(tx, state)
                kept = checkpoint_if_due(tx, p.engine, self._checkpoint_us, now_us)
                if taken:
                    ids = taken.record(tx)
        except StoreError as error:
            if not error.retry:
                raise
            log.warning("cannot save the state yet", reason=str(error))
            return False
        if ids is not None:
            p.writer.adopt(ids)
        self._checkpoint_us = now_us if kept else self._checkpoint_us
        self._saved(began_s)
        return True

    def _write_state(self, tx: Transaction, state: bytes) -> None:
        """The engine's state with the history up to it."""
        p = self._p
        ahead_us = offset_us(p.clock)
        tx.ticks(blocks_of(self._unsaved, p.engine.layout))
        newest = newest_of_each_group(self._unsaved)
        tx.readings([row for tick in newest for row in p.reading_json(tick)])
        tx.engine_state(state)
        if ahead_us != self._told_offset_us:
            tx.meta(CLOCK_OFFSET, str(ahead_us))

    def _saved(self, began_s: float) -> None:
        self._unsaved, self._unsaved_samples = [], 0
        self._p.live.unsaved.clear()
        self._told_offset_us = offset_us(self._p.clock)
        took_s = time.monotonic() - began_s
        self._save_due = time.monotonic() + max(SAVE_S, SAVE_SHARE * took_s)

    def _push(self, force: bool = False) -> None:
        """Tell pages and metrics what is new."""
        now_s = time.monotonic()
        live, queue = self._p.live, self._p.queue
        live.report(queue_messages=queue.depth, queue_bytes=queue.size_bytes)
        if not self._unpushed and not force:
            live.alarms(self._p.engine.alarms())
            return
        if now_s < self._push_due and not force:
            return
        for tick in newest_of_each_group(self._unpushed):
            live.tick(tick)
        self._unpushed = []
        live.alarms(self._p.engine.alarms())
        self._push_due = now_s + PUSH_S

    def _count(self, messages: list[Message], work: Work) -> None:
        metrics, now_us = self._p.metrics, self._p.clock.now_us()
        metrics.messages.inc(len(messages))
        metrics.ingest_lag_s.observe(max(0.0, (now_us - messages[0].received_us) / 1e6))
        self._p.live.report(last_message_us=messages[-1].received_us)
        for reject in work.decoded.rejects if work.decoded else ():
            metrics.rejects.labels(reject.reason.value).inc(reject.count)
        flags = work.batch.flags
        for flag, name in ((Flag.LATE, "late"), (Flag.AHEAD, "ahead"), (Flag.RETAINED, "retained")):
            count = int(np.count_nonzero(flags & int(flag)))
            if count:
                metrics.not_judged.labels(name).inc(count)


def _clocks(engine: Engine) -> Clocks:
    """A watch over the clocks of an engine's channels that knows what is on record."""
    return Clocks(engine.layout, engine.stepper.health.clock_wrong)
