"""Everything about users in one place: what the service asks and what `hissmark user` changes."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NoReturn

import sqlalchemy as sa

from hissmark.access import audit, limits, passwords, sessions, tokens, users
from hissmark.access.audit import AuditEvent, AuditRow, Author
from hissmark.access.errors import RefusedError
from hissmark.access.roles import Identity, Role
from hissmark.access.sessions import US, SessionLimits
from hissmark.access.tokens import Token
from hissmark.access.users import User
from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of

_LONGEST = 200
_PATIENCE_S = 5.0
MOST_FAILURES_AN_HOUR = 500
"""Failed sign-ins put on record; what comes beyond is only counted, so that nobody can fill the disk."""
_WRONG = "Name or password is wrong."


class Book:
    """The users of a site. Any number of threads may use it.

    Attributes:
        now_us: the machine's clock; tests give their own.
    """

    def __init__(
        self,
        store: sa.Engine,
        now_us: Callable[[], int],
        limits: SessionLimits = SessionLimits(),  # noqa: B008 - a value
        reading: sa.Engine | None = None,
    ) -> None:
        """`store` is open for writing; `reading`, if given, does not wait for whoever writes."""
        self._store, self._reading = store, reading or store
        self._place = place_of(store.url)
        self.now_us = now_us
        self.limits = limits
        self._users_exist = False
        self._one_at_a_time = threading.Lock()
        self._failures_us: deque[int] = deque(maxlen=MOST_FAILURES_AN_HOUR)

    @contextmanager
    def _write(self) -> Iterator[sa.Connection]:
        with in_words(self._place), self._store.begin() as connection:
            yield connection

    @contextmanager
    def _read(self) -> Iterator[sa.Connection]:
        with in_words(self._place), self._reading.begin() as connection:
            yield connection

    # --- questions of the service ---

    @property
    def asks(self) -> bool:
        """Whether anybody has to sign in: from the first user on, for good."""
        if not self._users_exist:
            with self._read() as connection:
                self._users_exist = users.exist(connection)
        return self._users_exist

    def of_session(self, secret: str, *, active: bool = True) -> Identity | None:
        """Who holds a session; with `active` the question counts as use of it."""
        now_us = self.now_us()
        with self._read() as connection:
            found = sessions.find(connection, secret, now_us, self.limits)
        if found is None:
            return None
        if active and found.stale:
            with self._write() as connection:
                sessions.seen(connection, secret, now_us)
        return found.identity

    def of_token(self, secret: str) -> Identity | None:
        """Who holds an API token."""
        now_us = self.now_us()
        with self._read() as connection:
            found = tokens.find(connection, secret, now_us)
        if found is None:
            return None
        if found.stale:
            with self._write() as connection:
                tokens.used(connection, found.id, now_us)
        return found.identity

    def sign_in(self, name: str, password: str, address: str) -> str:
        """A new session's secret. Raises RefusedError, with the wait that guessing has earned."""
        name = cleaned(name.strip())[:_LONGEST]
        if not self._one_at_a_time.acquire(timeout=_PATIENCE_S):
            raise RefusedError("Too many people are signing in at this moment. Try again.", _PATIENCE_S)
        try:
            # Within the lock, or a hundred tries at once would all be looked at before the first is counted.
            with self._read() as connection:
                wait_s = limits.wait_s(connection, name, address, self.now_us())
                stored = users.password_hash(connection, name)
            if wait_s > 0:
                raise RefusedError(_told(wait_s), wait_s)
            if not passwords.matches(stored, password):
                self._fail(name, address)
        finally:
            self._one_at_a_time.release()
        return self._begin(name, password, stored, address)

    def _begin(self, name: str, password: str, stored: str | None, address: str) -> str:
        fresh = passwords.hashed(password) if stored and passwords.is_outdated(stored) else None
        with self._write() as connection:
            now_us = self.now_us()
            if stored is None or users.password_hash(connection, name) != stored:  # changed meanwhile
                raise RefusedError(_WRONG)
            if fresh is not None:
                users.rehash(connection, name, fresh)
            limits.succeeded(connection, name, address)
            audit.note(connection, now_us, Author(name, address), AuditEvent.SIGNED_IN)
            return sessions.begin(connection, name, address, now_us, self.limits)

    def _fail(self, name: str, address: str) -> NoReturn:
        with self._write() as connection:
            now_us = self.now_us()
            wait_s = limits.failed(connection, name, address, now_us)
            if self._worth_noting(now_us):
                event = AuditEvent.LOCKED_OUT if wait_s else AuditEvent.SIGN_IN_FAILED
                detail = f"next try in {wait_s:g} s" if wait_s else ""
                audit.note(connection, now_us, Author(name, address), event, detail)
        raise RefusedError(f"{_WRONG} {_told(wait_s)}".strip(), wait_s)

    def _worth_noting(self, now_us: int) -> bool:
        held = self._failures_us
        if len(held) == held.maxlen and now_us - held[0] < 3600 * US:
            return False
        held.append(now_us)
        return True

    def sign_out(self, secret: str, address: str) -> None:
        """End a session; nothing happens if it is over already."""
        with self._write() as connection:
            name = sessions.end(connection, secret)
            if name is not None:
                audit.note(connection, self.now_us(), Author(name, address), AuditEvent.SIGNED_OUT)

    def note(self, by: Author, event: AuditEvent, detail: str = "") -> None:
        """Put something on record."""
        with self._write() as connection:
            audit.note(connection, self.now_us(), by, event, detail)

    def audit(self, before_seq: int | None = None, limit: int = 100) -> list[AuditRow]:
        """What is on record, newest first."""
        with self._read() as connection:
            return audit.read(connection, before_seq, limit)

    # --- changes ---

    def users(self) -> list[User]:
        with self._read() as connection:
            return users.listed(connection)

    def tokens(self) -> list[Token]:
        with self._read() as connection:
            return tokens.listed(connection)

    def add(self, name: str, role: Role, password: str, by: Author) -> User:
        """A new user. Raises AccessError if name or password will not do."""
        name = users.checked_name(name)
        passwords.check_rules(password, name)
        stored = passwords.hashed(password)
        with self._write() as connection:
            users.add(connection, name, role, stored, self.now_us())
            audit.note(connection, self.now_us(), by, AuditEvent.USER_ADDED, f"{name}, {role}")
            return users.get(connection, name)

    def set_password(self, name: str, password: str, by: Author) -> None:
        """Another password; whoever is signed in with the old one is signed out, failures are forgotten."""
        passwords.check_rules(password, name)
        stored = passwords.hashed(password)
        with self._write() as connection:
            users.set_password(connection, name, stored, self.now_us())
            limits.forgive(connection, name)
            audit.note(connection, self.now_us(), by, AuditEvent.PASSWORD_CHANGED, name)

    def set_role(self, name: str, role: Role, by: Author) -> Role:
        """Another role, from the next request on. Returns the one before."""
        with self._write() as connection:
            before = users.set_role(connection, name, role)
            detail = f"{name}: {before} to {role}"
            audit.note(connection, self.now_us(), by, AuditEvent.ROLE_CHANGED, detail)
            return before

    def disable(self, name: str, by: Author) -> None:
        """Shut a user out at once, sessions and tokens included."""
        with self._write() as connection:
            users.set_disabled(connection, name, self.now_us())
            audit.note(connection, self.now_us(), by, AuditEvent.DISABLED, name)

    def enable(self, name: str, by: Author) -> None:
        """Let a disabled user in again."""
        with self._write() as connection:
            users.set_disabled(connection, name, None)
            audit.note(connection, self.now_us(), by, AuditEvent.ENABLED, name)

    def create_token(
        self, user: str, label: str, role: Role | None, days: float, by: Author
    ) -> tuple[int, str]:
        """A new token's number and secret; the secret is not kept."""
        with self._write() as connection:
            number, secret = tokens.create(connection, user, cleaned(label), role, days, self.now_us())
            detail = f"{number} of {user}, {role or 'role of the user'}, {days:g} days, {label}"
            audit.note(connection, self.now_us(), by, AuditEvent.TOKEN_CREATED, detail)
            return number, secret

    def revoke_token(self, number: int, by: Author) -> Token:
        """End a token before its time."""
        with self._write() as connection:
            token = tokens.revoke(connection, number, self.now_us())
            audit.note(connection, self.now_us(), by, AuditEvent.TOKEN_REVOKED, f"{number} of {token.user}")
            return token


def _told(wait_s: float) -> str:
    if wait_s <= 0:
        return ""
    seconds = max(1, round(wait_s))
    return f"Too many tries: wait {seconds} second{'' if seconds == 1 else 's'} before the next."
