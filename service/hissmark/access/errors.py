"""What goes wrong with users and sign-in, in words for people."""

from __future__ import annotations


class AccessError(Exception):
    """Something about users that cannot be done as asked; the message says why and what to do."""


class RefusedError(Exception):
    """A sign-in that was not granted. The message tells nobody which of name and password was wrong.

    Attributes:
        wait_s: seconds until the next try is looked at; 0 if it may come at once.
    """

    def __init__(self, message: str, wait_s: float = 0.0) -> None:
        super().__init__(message)
        self.wait_s = wait_s
