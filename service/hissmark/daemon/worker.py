"""The worker: from the queue through decoder and engine into one transaction, then the acknowledgement.

One thread, one order: decode and judge (`judging`), commit (`commit`), acknowledge, save the state now and
then (`saving`), tell pages (`showing`). If the store fails the same transaction is tried again until it
succeeds, and meanwhile nothing is acknowledged: the broker holds the rest.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

import structlog

from hissmark.daemon.commit import StoreTrouble, commit
from hissmark.daemon.errands import Errands
from hissmark.daemon.exhaustion import is_exhaustion, say
from hissmark.daemon.filling import Filling, Owner
from hissmark.daemon.judged_again import Portion
from hissmark.daemon.judging import Judging
from hissmark.daemon.recovery import Recovered, feed, recover
from hissmark.daemon.saving import Saving
from hissmark.daemon.showing import Showing, ask_births, count
from hissmark.daemon.work import Parts, StoppedError, Stopping, Work
from hissmark.decode.message import Message
from hissmark.engine.engine import Engine
from hissmark.publish.pulse import JUDGING, STORING
from hissmark.store.backfill import Mark
from hissmark.store.errors import StoreError
from hissmark.store.records import JournalRow

log = structlog.get_logger("hissmark.daemon")

BATCH_MESSAGES = 20_000
WAIT_S = 0.2


class Worker:
    """The thread that owns the engine and the write side of the store."""

    def __init__(self, parts: Parts) -> None:
        self._p = parts
        self._stopping = Stopping()
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)
        self.failure: BaseException | None = None
        self.on_failure: Callable[[], None] = lambda: None
        self._trouble = StoreTrouble(parts.live)
        self._judging = Judging(parts.engine, self._trouble)
        self._saving = Saving(parts.reader.newest_checkpoint_us())
        self._showing = Showing()
        self.errands: Errands[Owner] = Errands()
        self._given_up = False
        """Told to stop while the store was away: the engine is ahead of the store and may not be saved."""

    def recover(self) -> None:
        """Bring the engine up to what is stored; before `start`. Raises StoppedError if told to.

        Its state is saved once the service is there for people and messages again.
        """
        self._saving.put_off()
        recover(self._p.engine, self._p.reader, self._keep, self._p.takeover.since_us)
        self._judging.go_on_with(self._p.engine)
        self._saving.due()

    def _keep(self, found: Recovered) -> None:
        """Put on record what came out while the engine caught up. Raises StoppedError if told to stop."""
        work = Work(ticks=found.ticks, entries=found.entries)
        if self._stopping.asked or self._commit(work) is None:
            raise StoppedError
        self._saving.save_if_due(self._p)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def ended(self) -> bool:
        """Whether it was started and works no more."""
        return self._thread.ident is not None and not self.alive

    def ask_to_stop(self) -> None:
        """Finish the round in hand and no more. Takes no lock, so a signal handler may call it."""
        self._stopping.asked = True

    def stop(self, timeout_s: float = 6.0) -> None:
        """Finish the round in hand, save the state, end the thread. What is queued stays unacknowledged."""
        self._stopping.tell()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        try:
            self._showing.push(self._p, force=True)  # what came out while the engine caught up
            while not self._stopping:
                self._round(self._p.queue.get_batch(BATCH_MESSAGES, WAIT_S))
            if not self._given_up:
                self._saving.save(self._p)
            self._showing.push(self._p, force=True)
            self.errands.close()
        except BaseException as error:
            self.failure = error
            self.on_failure()  # first: whatever comes after it may fail too
            self.errands.close()
            said = "the worker has failed; the service stops so that nothing unsaved is acknowledged"
            if isinstance(error, StoreError):  # written for people; a traceback adds nothing
                log.error(said, reason=str(error))
            elif is_exhaustion(error):
                say(self._thread.name)
            else:
                log.exception(said)

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
        self._showing.push(self._p, force=True)  # what was judged under the old one
        if not self._saving.save(self._p, taken):
            return
        self._p = replace(self._p, engine=taken.engine, decoder=taken.decoder)
        self._judging.go_on_with(taken.engine)
        self._p.takeover.done(taken)
        self._p.live.use_layout(taken.engine.layout)
        start_us = taken.engine.resume_from_us
        if start_us is not None:  # what waits for its tick
            feed(taken.engine, self._p.reader, start_us, self._keep)
        self._showing.push(self._p, force=True)

    def _round(self, messages: list[Message]) -> None:
        self._p.live.pulse.beat(JUDGING)
        try:
            self.take_over_register()
        except StoppedError:
            self._given_up = True
            return
        work = self._judging.judge(self._p, messages)
        if work:
            rows = self._commit(work)
            if rows is None:
                self._given_up = True
                return
            self._p.live.heard(work.batch)
            self._p.live.pacer.stored(work.batch)
            self._p.live.journal(rows)
        if messages:
            self._p.ack(messages)
            count(self._p, messages, work)
        ask_births(self._p)
        self._p.questions.answer(self._p.engine)
        self.errands.do_one(self)
        self._saving.save_if_due(self._p)
        self._showing.push(self._p)

    def _commit(self, work: Work) -> list[JournalRow] | None:
        """Put a round on record. None: told to stop while the store was away."""
        rows = commit(self._p, work, self._trouble, self._stopping)
        if rows is not None:
            self._saving.add(self._p, work.ticks, len(work.batch))
            self._showing.add(work.ticks)
        return rows

    def put_anew(self, filling: Filling, portion: Portion) -> None:
        """Put on record what a group came to when it was judged again."""
        with self._p.live.pulse.during(STORING), self._p.writer.transaction() as tx:
            filling.put(tx, portion)

    def end_filling(self, filling: Filling) -> None:
        """Go on from what a group came to; nothing if a new register came in between: it is tried again."""
        if filling.layout is self._p.engine.layout:
            self._saving.end_filling(self._p, filling)

    def drop_mark(self, mark: Mark) -> None:
        """A group is to be judged again that is not there any more."""
        with self._p.writer.transaction() as tx:
            tx.backfilled(mark, mark.to_us, 0, 0, 0)
