"""Roles: each may do what the one before it may, and more."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum

from hissmark.access.errors import AccessError


class Role(StrEnum):
    """What a user may do; the order is the rank."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ENGINEER = "engineer"
    ADMINISTRATOR = "administrator"

    @property
    def rank(self) -> int:
        return list(Role).index(self)

    def may(self, needed: Role) -> bool:
        """Whether this role is enough where `needed` is asked for."""
        return self.rank >= needed.rank


def role_of(text: str) -> Role:
    """The role called `text`. Raises AccessError that lists them."""
    try:
        return Role(text.strip().lower())
    except ValueError:
        raise AccessError(f"{text!r} is no role. Roles are: {', '.join(Role)}.") from None


class Means(Enum):
    """How somebody showed who they are."""

    SESSION = "session"
    TOKEN = "token"  # noqa: S105 - a word, no secret


@dataclass(frozen=True, slots=True)
class Identity:
    """Somebody whom the service knows: a user, with the role that counts for this request."""

    name: str
    role: Role
    means: Means
