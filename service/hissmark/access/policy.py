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

    def covers(self, path: str) -> bool:
        return path.startswith(self.start) if self.start.endswith("/") else path == self.start


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
    Rule("/api/v1/audit", Role.ADMINISTRATOR),
)


def needed(method: str, path: str) -> Role | Open:
    """What a request asks for."""
    for rule in RULES:
        if rule.covers(path):
            return rule.needs
    return Role.VIEWER if method in ("GET", "HEAD", "OPTIONS") else Role.OPERATOR
