"""Which role an address asks for. Where no line says else: a viewer to read, an operator to act."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from hissmark.access.roles import Role


class Open(Enum):
    """Addresses that ask for no role."""

    ALWAYS = "always"
    ON_THIS_MACHINE = "on this machine"


@dataclass(frozen=True, slots=True)
class Rule:
    """Addresses that begin with `start` (or are equal to it, if it does not end with a slash)."""

    start: str
    needs: Role | Open
    only_to_act: bool = False

    def covers(self, method: str, path: str) -> bool:
        """Whether the rule is about such a request; one that is `only_to_act` leaves reading to everybody."""
        if self.only_to_act and method in _READING:
            return False
        return path.startswith(self.start) if self.start.endswith("/") else path == self.start


_READING = ("GET", "HEAD", "OPTIONS")

RULES = (
    # Whatever restarts or balances the service has no password.
    Rule("/health/", Open.ALWAYS),
    # Needed to sign in; files of the program, the same for everybody.
    Rule("/sign-in", Open.ALWAYS),
    Rule("/sign-out", Open.ALWAYS),
    Rule("/static/", Open.ALWAYS),
    # A scraper on the machine itself needs nothing, one elsewhere a viewer's token.
    Rule("/metrics", Open.ON_THIS_MACHINE),
    # Settings name hosts, accounts and receivers of notifications.
    Rule("/api/v1/settings", Role.ENGINEER),
    # What was in force when an alarm was raised is for everybody; changing and trying is the engineers'.
    Rule("/api/v1/settings/tuned", Role.VIEWER),
    Rule("/api/v1/settings/", Role.ENGINEER),
    Rule("/api/v1/tuning/", Role.ENGINEER),
    Rule("/api/v1/audit", Role.ADMINISTRATOR),
    # What is kept for a court, and what may be deleted again.
    Rule("/api/v1/legal-holds", Role.ADMINISTRATOR),
    Rule("/api/v1/legal-holds/", Role.ADMINISTRATOR),
    # What a leak is worth rests on these.
    Rule("/api/v1/calibration", Role.ENGINEER, only_to_act=True),
    Rule("/api/v1/calibration/", Role.ENGINEER, only_to_act=True),
    Rule("/api/v1/assumptions", Role.ENGINEER, only_to_act=True),
    # What decides how valves are judged.
    Rule("/api/v1/register", Role.ENGINEER),
    Rule("/api/v1/register/", Role.ENGINEER),
    Rule("/api/v1/baselines/", Role.ENGINEER, only_to_act=True),
)


def needed(method: str, path: str) -> Role | Open:
    """What a request asks for."""
    for rule in RULES:
        if rule.covers(method, path):
            return rule.needs
    return Role.VIEWER if method in _READING else Role.OPERATOR
