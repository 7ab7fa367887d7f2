"""The notifier: follows the journal into the outbox, and runs one sender a receiver."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
import structlog

from hissmark.alarms.journal import Alarm, AlarmState, JournalEntry
from hissmark.notify.channel import Channel
from hissmark.notify.message import Message, link_of
from hissmark.notify.route import UNACKNOWLEDGED, Route
from hissmark.notify.sender import Condition, Limits, Sender, wait_for_all
from hissmark.publish.alarm_shapes import alarm_shape
from hissmark.publish.live import LiveState
from hissmark.publish.sentences import advice, journal_sentence
from hissmark.store.errors import StoreError
from hissmark.store.judged import put_meta
from hissmark.store.outbox import Outbox, Waiting
from hissmark.store.reader import Reader

log = structlog.get_logger("hissmark.notify")

LOOK_S = 0.5
PAGE_ROWS = 500
STORE_ID = "store.id"
_NAMESPACE = uuid.UUID("6f6b7a3e-7d55-4d0a-9a3f-2f6c2b1f5b0e")


@dataclass(frozen=True)
class Receiver:
    """One receiver: what it is told of, and how."""

    route: Route
    channel: Channel
    kind: str


@dataclass(frozen=True, slots=True)
class Told:
    """How telling one receiver goes. `due_us`: since when the oldest that waits is due, 0 if none does."""

    name: str
    kind: str
    waiting: int
    due_us: int
    condition: Condition


class Notifier:
    """Everything about telling others; `start`, then `stop`. Without receivers it does nothing.

    Args:
        writing, reading: two connections pools of the same store; reading never takes a write lock.
        page: address of the page for links, None if the site states none.
    """

    def __init__(
        self, receivers: Sequence[Receiver], writing: sa.Engine, reading: sa.Engine, live: LiveState,
        site: str, page: str | None, limits: Limits,
    ) -> None:  # fmt: skip
        self.receivers = tuple(receivers)
        self.outbox = Outbox(writing, reading)
        self.reader = Reader(reading)
        self._writing, self._live = writing, live
        self._site, self._page = site, page
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)
        self._store_id = ""
        now_us = live.clock.now_us
        self.senders = tuple(
            Sender(r.route, r.channel, self.outbox, self.compose, now_us, limits) for r in self.receivers
        )

    def start(self) -> None:
        """Begin to follow. At the very first start what is on record already is history."""
        if not self.receivers:
            return
        self._store_id = self._identity()
        if self.outbox.position() is None:
            self.outbox.begin_at_end()
        self._thread.start()
        for sender in self.senders:
            sender.start()

    @property
    def ended(self) -> bool:
        """Whether it was started and somebody is told no more."""
        mine = self._thread.ident is not None and not self._thread.is_alive()
        return mine or any(sender.ended for sender in self.senders)

    def ask_to_stop(self) -> None:
        """Finish the messages in hand and no more."""
        self._stop.set()
        for sender in self.senders:
            sender.ask_to_stop()

    def stop(self, timeout_s: float = 0.7) -> None:
        """Stop all threads; what is not settled goes out after the next start."""
        self.ask_to_stop()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        wait_for_all(self.senders, timeout_s)
        self.reader.close()

    def compose(self, row: Waiting) -> Message:
        """A row as a message, with what is known now."""
        entry, planned = row.entry.entry, row.planned
        sentence, todo = journal_sentence(entry), ""
        if entry.state is AlarmState.UNACKNOWLEDGED:
            standing = self._standing_alarm(entry.valve, entry.alarm)
            alarm = _as_alarm(entry) if standing is None or standing.state != entry.state else standing
            sentence, todo = self._sentence(alarm), advice(alarm)
        unacknowledged_s = 0
        if planned.kind == UNACKNOWLEDGED:
            unacknowledged_s = max(0, (self._live.clock.now_us() - row.entry.recorded_us) // 1_000_000)
        return Message(
            self.key(planned.receiver, planned.seq, planned.kind), planned.kind, self._site, row.entry,
            sentence, todo, link_of(self._page, entry.valve, entry.alarm), unacknowledged_s,
        )  # fmt: skip

    def told(self) -> list[Told]:
        """How telling each receiver goes."""
        waiting = self.outbox.waiting() if self.receivers else {}
        rows = zip(self.receivers, self.senders, strict=True)
        return [
            Told(r.route.name, r.kind, *waiting.get(r.route.name, (0, 0)), sender.condition)
            for r, sender in rows
        ]

    def forget(self, days: int = 30) -> int:
        """Delete what was settled longer ago than so many days; returns how many messages went."""
        return self.outbox.forget(self._live.clock.now_us() - days * 86_400 * 1_000_000)

    def key(self, receiver: str, seq: int, kind: str) -> str:
        """The idempotency key: the same for the same entry, receiver and database, whenever it is sent."""
        return str(uuid.uuid5(_NAMESPACE, "\x1f".join((self._store_id, receiver, str(seq), kind))))

    def standing(self) -> list[tuple[Alarm, str, str | None]]:
        """Alarms that are not at rest, with sentence and link."""
        return [(a, self._sentence(a), link_of(self._page, a.valve, a.alarm)) for a in self._live.active()]

    def _standing_alarm(self, valve: str, alarm: str) -> Alarm | None:
        return next((a for a in self._live.active() if (a.valve, a.alarm) == (valve, alarm)), None)

    def _sentence(self, alarm: Alarm) -> str:
        shape = alarm_shape(alarm, self._live.reading(alarm.group), self._live.clock.now_us())
        return shape["sentence"]

    def _identity(self) -> str:
        found = self.reader.meta(STORE_ID)
        if found is None:
            found = uuid.uuid4().hex
            with self._writing.begin() as connection:
                put_meta(connection, STORE_ID, found)
        return found

    def _run(self) -> None:
        delay_s = LOOK_S
        while not self._stop.is_set():
            try:
                delay_s = 0.0 if self._follow() else LOOK_S
            except StoreError as error:
                log.warning("cannot follow the journal; trying again", reason=str(error))
                delay_s = min(max(2 * delay_s, LOOK_S), 30.0)
            except MemoryError:
                raise  # ends the service, which is started again and goes on from here
            except Exception:
                log.exception("following the journal failed; trying again")
                delay_s = min(max(2 * delay_s, LOOK_S), 30.0)
            self._stop.wait(delay_s)

    def _follow(self) -> bool:
        """Plan one page of the journal. Returns whether there may be more."""
        position = self.outbox.position() or 0
        rows = self.reader.journal(after_seq=position, limit=PAGE_ROWS)
        if not rows:
            return False
        now_us = self._live.clock.now_us()
        told = [row for row in rows if not row.entry.origin]  # nobody is called out for the past
        plans = (r.route.plan(row, now_us) for row in told for r in self.receivers)
        self.outbox.plan([plan for plan in plans if plan is not None], rows[-1].seq)
        for sender in self.senders:
            sender.kick()
        return len(rows) == PAGE_ROWS


def _as_alarm(entry: JournalEntry) -> Alarm:
    """The alarm as the entry alone tells it: the journal may be ahead of what the pages know."""
    return Alarm(
        entry.valve, entry.group, entry.alarm, entry.state, True, entry.priority, entry.at_us, entry.at_us,
        entry.rise_db, entry.margin_db, entry.reason, entry.operator, entry.comment,
    )  # fmt: skip


Standing = Callable[[], Sequence[tuple[Alarm, str, str | None]]]
