"""One deadline for everything that has to be done between the signal and the end of the process."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable
from typing import NoReturn

import structlog

log = structlog.get_logger("hissmark.daemon")

STOP_S = 9.5
"""From the signal to the end of the process; ten seconds are promised."""
TIDY_S = 0.5
"""Kept of it for what is done last: closing the database, the interpreter's own end."""


class Deadline:
    """When the process will have ended, come what may. Every part of stopping asks it for what is left."""

    def __init__(self, seconds: float = STOP_S) -> None:
        self._at_s = time.monotonic() + seconds

    def left_s(self, keep_s: float = 0.0) -> float:
        """Seconds left, less some for others; never negative."""
        return max(0.0, self._at_s - time.monotonic() - keep_s)


def together(stops: Iterable[Callable[[], object]], deadline: Deadline, keep_s: float = TIDY_S) -> bool:
    """Stop several parts side by side, so that one that hangs takes no time from the others.

    Returns whether all of them came to an end in time.
    """
    threads = [threading.Thread(target=_stop, args=(stop,), name="stopping", daemon=True) for stop in stops]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(deadline.left_s(keep_s))
    return not any(thread.is_alive() for thread in threads)


def _stop(stop: Callable[[], object]) -> None:
    try:
        stop()
    except Exception:
        log.exception("a part of the service did not stop as it should")


class LastResort:
    """Ends the process at the deadline if it has not ended by itself: what hangs may hang for ever.

    What was under way is then undone by the database, and delivered again by the broker.
    """

    def __init__(self, code: Callable[[], int]) -> None:
        """`code`: exit code to end with."""
        self._code = code
        self._deadline: Deadline | None = None
        self._hear, self._tell = os.pipe()
        threading.Thread(target=self._wait, name="last-resort", daemon=True).start()

    @property
    def deadline(self) -> Deadline | None:
        """None: not begun."""
        return self._deadline

    def begin(self) -> None:
        """The time runs from now. Takes no lock, so a signal handler may call it, more than once too."""
        if self._deadline is None:
            self._deadline = Deadline()
            os.write(self._tell, b"!")

    def _wait(self) -> None:
        os.read(self._hear, 1)
        deadline = self._deadline or Deadline()
        while left_s := deadline.left_s():
            time.sleep(left_s)
        self.end("the deadline has come")

    def leave(self) -> NoReturn:
        """Everything is done: end now. Threads that hang, and the interpreter's own end, would take time."""
        hung = [t for t in _holding() if not _ends(t, self._deadline or Deadline(0.0))]
        if hung:
            self.end(f"still busy: {', '.join(sorted(t.name for t in hung))}")
        _flush()
        os._exit(self._code())

    def end(self, why: str) -> NoReturn:
        """End the process here and now."""
        with contextlib.suppress(Exception):
            log.warning(
                "ended in the middle of something; it is undone, and its messages come again", why=why
            )
        _flush()
        os._exit(self._code())


def _flush() -> None:
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()


def _holding() -> list[threading.Thread]:
    """Threads that the interpreter waits for at its end."""
    mine = threading.current_thread()
    return [t for t in threading.enumerate() if not t.daemon and t is not mine]


def _ends(thread: threading.Thread, deadline: Deadline) -> bool:
    """Idle threads of pools end by themselves once they are told; give them a moment of what is left."""
    if thread is threading.main_thread():
        return True
    thread.join(min(TIDY_S, deadline.left_s()))
    return not thread.is_alive()
