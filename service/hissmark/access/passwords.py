"""Passwords: argon2id with the second recommended option of RFC 9106 section 4 (64 MiB, 3 passes, 4 lanes).

Rules for choosing one follow NIST SP 800-63B-4 (from memory): at least 15 characters where the password is
all there is, no rules about kinds of characters, not the user's own name. Length is what counts.
"""

from __future__ import annotations

import threading
import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.low_level import Type

from hissmark.access.errors import AccessError

LEAST_CHARACTERS = 15
MOST_CHARACTERS = 256

_HASHER = PasswordHasher(time_cost=3, memory_cost=64 * 1024, parallelism=4, type=Type.ID)
_ONE_AT_A_TIME = threading.Lock()
"""Each check takes 64 MiB: any number at once would be a way to exhaust the machine."""


def check_rules(password: str, user: str) -> None:
    """Raise AccessError if the password is one that should not be chosen."""
    text = _normal(password)
    if len(text) < LEAST_CHARACTERS:
        raise AccessError(
            f"The password has {len(text)} characters; at least {LEAST_CHARACTERS} are needed. Four words "
            "that mean nothing to others are a good one."
        )
    if len(text) > MOST_CHARACTERS:
        raise AccessError(f"The password may have at most {MOST_CHARACTERS} characters.")
    rest = text.casefold().replace(user.casefold(), "")
    if len(rest) < LEAST_CHARACTERS // 2 or len(set(rest)) < 5:
        raise AccessError("The password is little more than the user's name or a few characters repeated.")


def hashed(password: str) -> str:
    """The argon2id hash to store, with its salt and parameters in it."""
    with _ONE_AT_A_TIME:
        return _HASHER.hash(_normal(password))


def matches(stored: str | None, password: str) -> bool:
    """Whether the password is the right one. With no hash it takes as long and is never right."""
    with _ONE_AT_A_TIME:
        try:
            _HASHER.verify(stored or _nobody(), _normal(password)[: MOST_CHARACTERS + 1])
        except (VerificationError, InvalidHashError):
            return False
    return stored is not None


def is_outdated(stored: str) -> bool:
    """Whether the hash was made with other parameters than those in use now."""
    return _HASHER.check_needs_rehash(stored)


def _normal(password: str) -> str:
    """One form for characters that keyboards produce in several ways."""
    return unicodedata.normalize("NFKC", password)


_nobodys: list[str] = []


def _nobody() -> str:
    """A hash that stands in for a user that is not there, so that the answer takes as long."""
    if not _nobodys:
        _nobodys.append(_HASHER.hash("nobody has this password"))
    return _nobodys[0]
