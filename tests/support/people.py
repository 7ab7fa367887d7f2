"""Users of a site for tests: one of each role, a clock to turn, and how they send requests."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from hissmark.access.audit import Author
from hissmark.access.book import Book
from hissmark.access.roles import Role
from hissmark.access.sessions import SessionLimits
from hissmark.store import open_store

PASSWORD = "blue kettle under seven pines"
BY = Author("tests", "command line")
NAMES = {
    Role.VIEWER: "vera", Role.OPERATOR: "otto", Role.ENGINEER: "eva", Role.ADMINISTRATOR: "ada",
}  # fmt: skip
START_US = 1_772_323_200_000_000
SECOND_US = 1_000_000


@dataclass
class Clock:
    """Time that passes when told to."""

    at_us: int = START_US

    def now_us(self) -> int:
        return self.at_us

    def pass_s(self, seconds: float) -> None:
        self.at_us += round(seconds * SECOND_US)


@dataclass
class People:
    """The users of one store. `again` opens the same store anew, as a restart of the service does."""

    folder: Path
    url: str = "sqlite:///data/hissmark.db"
    limits: SessionLimits = field(default_factory=SessionLimits)
    clock: Clock = field(default_factory=Clock)

    def __post_init__(self) -> None:
        self.engine = open_store(self.url, self.folder)
        self.book = Book(self.engine, self.clock.now_us, self.limits)

    def everybody(self) -> People:
        for role, name in NAMES.items():
            self.book.add(name, role, PASSWORD, BY)
        return self

    def again(self) -> Book:
        return Book(open_store(self.url, self.folder), self.clock.now_us, self.limits)

    def session(self, role: Role) -> str:
        return self.book.sign_in(NAMES[role], PASSWORD, "10.0.0.9")

    def token(self, role: Role, days: float = 30) -> str:
        return self.book.create_token(NAMES[role], "tests", role, days, BY)[1]

    def close(self) -> None:
        self.engine.dispose()


def by_session(secret: str) -> dict[str, str]:
    """What a browser sends from our own page."""
    return {"Cookie": f"hissmark={secret}", "Origin": "http://testserver", "Sec-Fetch-Site": "same-origin"}


def by_token(secret: str) -> dict[str, str]:
    """What a program sends."""
    return {"Authorization": f"Bearer {secret}"}
