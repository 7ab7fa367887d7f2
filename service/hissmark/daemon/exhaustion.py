"""Memory has run out: the service ends, and is started again by whatever supervises it.

Whoever goes on without the memory it asked for does half of its work, now this half and now that. What is
acknowledged is on record, everything else comes again, and a new process begins with room. So a thread that
gets no memory says so by dying, whichever it is, and here that ends the service.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

import structlog

log = structlog.get_logger("hissmark.daemon")

WHAT_TO_DO = (
    "the memory that the service may use is exhausted. It ends and is to be started again; raise its bound "
    "(MemoryMax of systemd, the container's limit), or lower queue_mb in [mqtt]"
)


def is_exhaustion(error: BaseException | None) -> bool:
    """Whether an error says that there is no memory: for an object, or for the stack of another thread."""
    no_thread = isinstance(error, RuntimeError) and "can't start new thread" in str(error)
    return isinstance(error, MemoryError) or no_thread


def end_when_exhausted(give_up: Callable[[], object]) -> None:
    """From now on a thread that dies for want of memory ends the service. `give_up` may be called often."""
    before = threading.excepthook

    def died(told: threading.ExceptHookArgs) -> None:
        if not is_exhaustion(told.exc_value):
            before(told)
            return
        give_up()  # first: whatever comes after it may fail for the same reason
        say(told.thread.name if told.thread else "")

    threading.excepthook = died


def say(who: str) -> None:
    """Tell people, if there is memory left for it."""
    with contextlib.suppress(Exception):
        log.error("out of memory; the service ends so that it can begin anew", who=who, reason=WHAT_TO_DO)
