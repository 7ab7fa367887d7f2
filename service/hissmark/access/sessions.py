"""Sessions of people who signed in on a page. Stored, so that a restart of the service signs nobody out."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.access.roles import Identity, Means, Role
from hissmark.access.secret import digest, new_secret
from hissmark.store.schema import sessions, users

US = 1_000_000
SEEN_EVERY_S = 60
"""How often a session in use is marked as such: a page asks many times a minute."""

MOST_PER_USER = 50


@dataclass(frozen=True, slots=True)
class SessionLimits:
    """How long a session lasts: without a request, and at all (seconds)."""

    idle_s: int = 12 * 3600
    longest_s: int = 7 * 86_400


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody signed in. `stale` says that its last use is worth writing down again."""

    identity: Identity
    stale: bool


def begin(connection: sa.Connection, name: str, address: str, now_us: int, limits: SessionLimits) -> str:
    """A new session; returns its secret for the cookie. Sessions that are over are cleared away."""
    over = (sessions.c.seen_us <= now_us - limits.idle_s * US) | (
        sessions.c.created_us <= now_us - limits.longest_s * US
    )
    connection.execute(sa.delete(sessions).where(over))
    newest = (
        sa.select(sessions.c.digest)
        .where(sessions.c.user_name == name)
        .order_by(sessions.c.created_us.desc())
        .limit(MOST_PER_USER - 1)
    )
    connection.execute(
        sa.delete(sessions).where(sessions.c.user_name == name, sessions.c.digest.not_in(newest))
    )
    secret = new_secret()
    row = {"digest": digest(secret), "user_name": name, "address": address}
    connection.execute(sa.insert(sessions).values(created_us=now_us, seen_us=now_us, **row))
    return secret


def find(connection: sa.Connection, secret: str, now_us: int, limits: SessionLimits) -> Session | None:
    """Whose session it is; None if it is unknown or over, or its user is disabled."""
    query = (
        sa.select(sessions.c.created_us, sessions.c.seen_us, users.c.name, users.c.role)
        .join(users, users.c.name == sessions.c.user_name)
        .where(sessions.c.digest == digest(secret), users.c.disabled_us.is_(None))
    )
    row = connection.execute(query).one_or_none()
    if row is None or now_us - row.seen_us >= limits.idle_s * US:
        return None
    if now_us - row.created_us >= limits.longest_s * US:
        return None
    stale = now_us - row.seen_us >= SEEN_EVERY_S * US
    return Session(Identity(row.name, Role(row.role), Means.SESSION), stale)


def seen(connection: sa.Connection, secret: str, now_us: int) -> None:
    """Note that a session is in use."""
    connection.execute(sa.update(sessions).where(sessions.c.digest == digest(secret)).values(seen_us=now_us))


def end(connection: sa.Connection, secret: str) -> str | None:
    """End one session; returns whose it was."""
    query = sa.delete(sessions).where(sessions.c.digest == digest(secret)).returning(sessions.c.user_name)
    return connection.scalar(query)
