"""Work for the thread that owns the engine and the writer, done between two of its rounds."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import Generic, TypeVar

Owner = TypeVar("Owner")


class Errands(Generic[Owner]):
    """Any thread may have something done; only the owner does it, one errand a round."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[Callable[[Owner], object], Future[None]]] = deque()
        self._closed = False

    def do(self, errand: Callable[[Owner], object]) -> None:
        """Have it done, and wait. Raises what it raises; CancelledError once the owner has stopped."""
        answer: Future[None] = Future()
        if self._closed:
            answer.cancel()
        else:
            self._waiting.append((errand, answer))
        answer.result()

    def do_one(self, owner: Owner) -> bool:
        """The owner's side: do the next, if there is one. What fails is the asker's trouble."""
        if not self._waiting:
            return False
        errand, answer = self._waiting.popleft()
        if answer.set_running_or_notify_cancel():
            try:
                errand(owner)
                answer.set_result(None)
            except Exception as error:
                answer.set_exception(error)
                if isinstance(error, MemoryError):  # what it changed may be half changed
                    raise
        return True

    def close(self) -> None:
        """Nothing more is done."""
        self._closed = True
        while self._waiting:
            self._waiting.popleft()[1].cancel()
