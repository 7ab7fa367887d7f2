"""Questions to the living engine, answered by the thread that owns it, between two rounds.

So a page gets the story of a verdict as of this moment without a copy of the engine being restored for it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from hissmark.engine.engine import Engine
from hissmark.engine.story import tell
from hissmark.engine.telling import Story

T = TypeVar("T")

PATIENCE_S = 5.0
MOST_WAITING = 200
A_ROUND = 4
"""Answered at most in one round: a story costs as much as a tick of the whole plant."""


class Questions:
    """Any thread may ask; only the worker answers."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[Callable[[Engine], Any], Future[Any]]] = deque()
        self._told: dict[str, tuple[int, Story | None]] = {}

    def ask(self, channel: str) -> Story | None:
        """The story of a channel, by its name, at its group's last tick; None if there is no such channel.

        Raises TimeoutError if the worker is too busy.
        """
        return self.read(lambda engine: self._tell(engine, channel))

    def read(self, look: Callable[[Engine], T]) -> T:
        """What `look` finds in the living engine, unchanged. Raises TimeoutError, or what `look` raises."""
        if len(self._waiting) >= MOST_WAITING:
            raise TimeoutError("too many questions are waiting")
        answer: Future[T] = Future()
        self._waiting.append((look, answer))
        try:
            return answer.result(PATIENCE_S)
        finally:
            answer.cancel()

    def answer(self, engine: Engine) -> None:
        """Answer some of those that wait. A look that fails is the asker's trouble, not the worker's."""
        for _ in range(min(A_ROUND, len(self._waiting))):
            look, answer = self._waiting.popleft()
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                answer.set_result(look(engine))
            except Exception as error:
                answer.set_exception(error)

    def forget(self) -> None:
        """Another register is in force: what was told is of other channels."""
        self._told.clear()

    def _tell(self, engine: Engine, channel: str) -> Story | None:
        """Worked out once a tick, however many pages ask."""
        index = next((i for i, c in enumerate(engine.layout.channels) if c.name == channel), None)
        if index is None:
            return None
        tick_us = int(engine.intake.tick_us[engine.layout.group_of[index]])
        known = self._told.get(channel)
        if known is not None and known[0] == tick_us:
            return known[1]
        story = tell(engine, index)
        if len(self._told) >= MOST_WAITING:
            self._told.clear()
        self._told[channel] = (tick_us, story)
        return story
