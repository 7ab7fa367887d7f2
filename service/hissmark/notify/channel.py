"""What every way of telling offers, and the two ways in which it can fail."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from hissmark.notify.message import Message


class UnreachableError(Exception):
    """The receiver could not be told now; the same may succeed later. The message says why."""


class RefusedError(Exception):
    """The receiver does not take this message and never will. The message says why."""


class Channel(Protocol):
    """One way of telling one receiver.

    Attributes:
        at_once: how many messages go together.
    """

    at_once: int

    def send(self, messages: Sequence[Message]) -> None:
        """Tell the receiver; returns once it has taken all. Raises UnreachableError or RefusedError."""
        ...

    def idle(self) -> None:
        """Called now and then when nothing is due; may raise UnreachableError."""
        ...

    def close(self) -> None:
        """Let go of connections."""
        ...


def secret_of(file: Path) -> bytes:
    """First line of a file that holds a secret; read each time, so that it can be changed."""
    try:
        lines = file.read_bytes().splitlines()
    except OSError as error:
        raise UnreachableError(f"{file} cannot be read: {(error.strerror or '').lower()}") from None
    if not lines or not lines[0]:
        raise UnreachableError(f"the first line of {file} is empty")
    return lines[0]
