"""A control room for tests of the pages: an invented plant of eight groups, its server, a browser."""

from __future__ import annotations

from dataclasses import dataclass

from support.browser import Browser, Server
from support.invented import (
    CONTESTED,
    DEAD,
    NO_DIFFERENCE,
    OPEN,
    OUTSIDE,
    PASSING,
    QUIET,
    Invented,
    Scene,
)

GROUPS = (
    "Steam header A", "Steam header B", "Letdown", "Flare tie-ins", "Boiler feed", "Reflux manifold",
    "Tank farm east", "Tank farm west",
)  # fmt: skip
BUSY: dict[str, Scene] = {
    **dict.fromkeys(GROUPS, QUIET), "Steam header B": PASSING, "Letdown": OUTSIDE, "Flare tie-ins": OPEN,
    "Boiler feed": DEAD, "Reflux manifold": NO_DIFFERENCE, "Tank farm east": CONTESTED,
}  # fmt: skip


@dataclass
class Room:
    """The plant, its server, one browser in front of it."""

    plant: Invented
    server: Server
    browser: Browser

    def open(self, path: str = "/") -> Browser:
        self.browser.open(self.server.url + path)
        return self.browser
