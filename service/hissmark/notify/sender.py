"""One thread a receiver: what is due goes out, what fails is tried again. A dead receiver waits alone."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import structlog

from hissmark.notify.channel import Channel, RefusedError, UnreachableError
from hissmark.notify.message import Message
from hissmark.notify.route import SENT, Known, Route, reason_not_to_send
from hissmark.store.errors import StoreError
from hissmark.store.outbox import Outbox, Waiting

log = structlog.get_logger("hissmark.notify")

LOOK_S = 0.5
FIRST_RETRY_S = 1.0
LONGEST_RETRY_S = 300.0
MOST_WAITING = 10_000


@dataclass(frozen=True, slots=True)
class Limits:
    """How long messages are worth telling, in microseconds of the service's clock."""

    max_age_us: int
    give_up_us: int


@dataclass(frozen=True, slots=True)
class Condition:
    """How a receiver is doing. `sent`, `refused`, `failures` count since the start."""

    sent: int = 0
    refused: int = 0
    failures: int = 0
    trouble: str = ""


class Sender:
    """Tells one receiver what its outbox holds.

    Args:
        compose: a row as a message.
        now_us: the service's clock.
    """

    def __init__(
        self, route: Route, channel: Channel, outbox: Outbox, compose: Callable[[Waiting], Message],
        now_us: Callable[[], int], limits: Limits,
    ) -> None:  # fmt: skip
        self.route = route
        self.condition = Condition()
        self._channel, self._outbox, self._compose = channel, outbox, compose
        self._now_us, self._limits = now_us, limits
        self._stop = threading.Event()
        self._kick = threading.Event()
        self._delay_s = FIRST_RETRY_S
        self._thread = threading.Thread(target=self._run, name=f"notify {route.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def ended(self) -> bool:
        """Whether it was started and tells no more."""
        return self._thread.ident is not None and not self._thread.is_alive()

    def kick(self) -> None:
        """Something new may be due."""
        self._kick.set()

    def ask_to_stop(self) -> None:
        self._stop.set()
        self._kick.set()

    def join(self, timeout_s: float) -> None:
        """Wait for the message in hand; what was not settled is sent again at the next start."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                more = self._round()
                self._note("")
                self._delay_s = FIRST_RETRY_S
            except (UnreachableError, StoreError) as error:
                self._fail(str(error))
                self._stop.wait(self._delay_s * random.uniform(0.8, 1.2))  # noqa: S311
                self._delay_s = min(2 * self._delay_s, LONGEST_RETRY_S)
                continue
            except MemoryError:
                raise  # ends the service, which is started again and goes on from here
            except Exception:  # a fault of ours may not silence this receiver for good
                log.exception("telling a receiver failed", receiver=self.route.name)
                self._fail("a fault of the service; its log has the details")
                self._stop.wait(self._delay_s)
                self._delay_s = min(2 * self._delay_s, LONGEST_RETRY_S)
                continue
            if not more:
                self._kick.wait(LOOK_S)
                self._kick.clear()
        self._channel.close()

    def _round(self) -> bool:
        """Tell one batch. Returns whether there may be more to tell at once."""
        rows = self._outbox.due(self.route.name, self._now_us(), 500)
        wanted = self._worth_telling(rows)
        for i in range(0, len(wanted), self._channel.at_once):
            if self._stop.is_set():
                return False
            self._tell(wanted[i : i + self._channel.at_once])
        if not rows:
            self._channel.idle()
        return len(rows) == 500

    def _worth_telling(self, rows: Sequence[Waiting]) -> list[Waiting]:
        """Settle what is no longer worth telling; returns the rest."""
        now_us, wanted = self._now_us(), []
        for row in rows:
            entry = row.entry.entry
            known = Known(
                self._outbox.newest_seq(entry.valve, entry.alarm),
                self._outbox.last_told(self.route.name, entry.valve, entry.alarm),
            )
            why = reason_not_to_send(
                self.route, row.planned, row.entry, known, now_us, self._limits.max_age_us
            )
            if why:
                self._outbox.settle([row.id], why, now_us)
            else:
                wanted.append(row)
        return wanted

    def _tell(self, rows: Sequence[Waiting]) -> None:
        ids = [row.id for row in rows]
        try:
            self._channel.send([self._compose(row) for row in rows])
        except RefusedError as error:
            if len(rows) > 1:  # one of them; find out which
                for row in rows:
                    self._tell([row])
                return
            self._outbox.failed(ids, str(error))
            self._outbox.settle(ids, "refused", self._now_us())
            self.condition = _changed(self.condition, refused=len(rows))
            log.error("a receiver refused a message", receiver=self.route.name, reason=str(error))
        except (StoreError, MemoryError):
            raise
        except Exception as error:  # also a fault of ours: what cannot be told is given up in time
            self._outbox.failed(ids, str(error) or type(error).__name__)
            self._give_up(rows)
            raise
        else:
            self._outbox.settle(ids, SENT, self._now_us())
            self.condition = _changed(self.condition, sent=len(rows))

    def _give_up(self, rows: Sequence[Waiting]) -> None:
        now_us = self._now_us()
        old = [r.id for r in rows if now_us - r.planned.due_us > self._limits.give_up_us]
        if old:
            self._outbox.settle(old, "given up", now_us)
            log.error("gave up telling a receiver", receiver=self.route.name, messages=len(old))
        dropped = self._outbox.drop_beyond(self.route.name, MOST_WAITING, now_us)
        if dropped:
            log.error("too many messages wait for a receiver", receiver=self.route.name, dropped=dropped)

    def _fail(self, reason: str) -> None:
        self.condition = _changed(self.condition, failures=1)
        self._note(reason)

    def _note(self, trouble: str) -> None:
        if trouble == self.condition.trouble:
            return
        before, self.condition = self.condition.trouble, _changed(self.condition, trouble=trouble)
        if trouble and not before:
            log.warning("a receiver cannot be told; trying again", receiver=self.route.name, reason=trouble)
        elif not trouble:
            log.info("the receiver is told again", receiver=self.route.name)


def _changed(
    before: Condition, *, sent: int = 0, refused: int = 0, failures: int = 0, trouble: str | None = None
) -> Condition:
    return Condition(
        before.sent + sent, before.refused + refused, before.failures + failures,
        before.trouble if trouble is None else trouble,
    )  # fmt: skip


def wait_for_all(senders: Sequence[Sender], timeout_s: float) -> None:
    """Let all stop together within the time."""
    deadline_s = time.monotonic() + timeout_s
    for sender in senders:
        sender.join(max(0.0, deadline_s - time.monotonic()))
