"""A control room for tests of the pages: an invented plant of eight groups, its server, a browser."""

from __future__ import annotations

from dataclasses import dataclass

from hissmark.store.repair_records import Finding, Found, Repair, Work
from support.browser import Browser, Server
from support.invented import (
    CONTESTED,
    DEAD,
    MINUTE_US,
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


def mended(plant: Invented, hours_ago: float = 2) -> int:
    """A leak in the first group that was found, repaired, and proved tight; returns the repair's number."""
    scenes = {GROUPS[0]: PASSING}
    at_us = plant.clock.now_us() - round(hours_ago * 60 * MINUTE_US)
    for minute in range(90):
        if minute == 30:
            scenes = {GROUPS[0]: QUIET}
        plant.tick(scenes, at_us + minute * MINUTE_US)
    plant.desk.record_finding(Finding("XV-103", at_us + 20 * MINUTE_US, Found.PASSING, "K. Moen", "audible"))
    done = Repair("XV-103", at_us + 30 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg", "", None, "Kari")
    number = plant.desk.record_repair(done)
    plant.desk.follow_up()
    return number


@dataclass
class Room:
    """The plant, its server, one browser in front of it."""

    plant: Invented
    server: Server
    browser: Browser

    def open(self, path: str = "/") -> Browser:
        self.browser.open(self.server.url + path)
        return self.browser
