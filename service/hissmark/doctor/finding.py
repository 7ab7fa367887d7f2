"""What one look at a site found."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """How it stands."""

    FINE = "fine"
    LOOK = "look"
    """Works, but somebody should look at it."""
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: `what` in a sentence, `do` what to do about it ("" if nothing)."""

    area: str
    state: State
    what: str
    do: str = ""


def fine(area: str, what: str) -> Finding:
    return Finding(area, State.FINE, what)


def look(area: str, what: str, do: str) -> Finding:
    return Finding(area, State.LOOK, what, do)


SHOWN = 5


def some(names: list[str]) -> str:
    """The first of many names, and how many more there are."""
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more


def wrong(area: str, what: str, do: str) -> Finding:
    return Finding(area, State.WRONG, what, do)
