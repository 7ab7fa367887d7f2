"""Tokens for programs that use the API: of a user, with a role that may be lower, and an end."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.access import users as user_table
from hissmark.access.errors import AccessError
from hissmark.access.roles import Identity, Means, Role
from hissmark.access.secret import TOKEN_MARK, digest, new_secret
from hissmark.store.schema import tokens, users

US = 1_000_000
DAY_US = 86_400 * US
USED_EVERY_S = 3600
"""How often a token in use is marked as such."""

LONGEST_DAYS = 3660


@dataclass(frozen=True, slots=True)
class Token:
    """A token on record; its secret is nowhere but with whoever it was given to."""

    id: int
    user: str
    label: str
    role: Role
    created_us: int
    expires_us: int
    revoked_us: int | None
    used_us: int | None


@dataclass(frozen=True, slots=True)
class Presented:
    """A token that counts. `stale` says that its last use is worth writing down again."""

    id: int
    identity: Identity
    stale: bool


def create(
    connection: sa.Connection, user: str, label: str, role: Role | None, days: float, now_us: int
) -> tuple[int, str]:
    """A new token; returns its number and its secret, which is shown once. Without a role it has the user's.

    Raises AccessError if the user may less than the token would.
    """
    owner = user_table.get(connection, user)
    wanted = role or owner.role
    if owner.disabled_us is not None:
        raise AccessError(f"{owner.name} is disabled. Enable the user first: `user disable --undo`.")
    if not owner.role.may(wanted):
        raise AccessError(f"{owner.name} is {owner.role}; a token of theirs cannot be {wanted}.")
    if not 0 < days <= LONGEST_DAYS:
        raise AccessError(f"A token lasts at most {LONGEST_DAYS} days, and longer than none.")
    secret = TOKEN_MARK + new_secret()
    values = {"user_name": owner.name, "label": label, "role": str(wanted), "created_us": now_us}
    row = tokens.insert().values(digest=digest(secret), expires_us=now_us + int(days * DAY_US), **values)
    return int(connection.execute(row.returning(tokens.c.id)).scalar_one()), secret


def find(connection: sa.Connection, secret: str, now_us: int) -> Presented | None:
    """Whose token it is; None if it is unknown, over or revoked, or its user is disabled.

    The role that counts is the lower one of token and user: whoever is demoted takes the tokens along.
    """
    if not secret.startswith(TOKEN_MARK):
        return None
    query = (
        sa.select(tokens.c.id, tokens.c.role.label("scope"), tokens.c.used_us, users.c.name, users.c.role)
        .join(users, users.c.name == tokens.c.user_name)
        .where(
            tokens.c.digest == digest(secret),
            tokens.c.revoked_us.is_(None),
            tokens.c.expires_us > now_us,
            users.c.disabled_us.is_(None),
        )
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    role = min(Role(row.scope), Role(row.role), key=lambda r: r.rank)
    stale = row.used_us is None or now_us - row.used_us >= USED_EVERY_S * US
    return Presented(row.id, Identity(row.name, role, Means.TOKEN), stale)


def used(connection: sa.Connection, token_id: int, now_us: int) -> None:
    """Note that a token is in use."""
    connection.execute(sa.update(tokens).where(tokens.c.id == token_id).values(used_us=now_us))


def revoke(connection: sa.Connection, token_id: int, now_us: int) -> Token:
    """End a token before its time. Raises AccessError if there is none of that number."""
    found = next((token for token in listed(connection) if token.id == token_id), None)
    if found is None:
        numbers = ", ".join(str(t.id) for t in listed(connection) if t.revoked_us is None) or "none"
        raise AccessError(f"There is no token {token_id}. Tokens in force: {numbers}.")
    if found.revoked_us is None:
        connection.execute(sa.update(tokens).where(tokens.c.id == token_id).values(revoked_us=now_us))
    return found


def listed(connection: sa.Connection) -> list[Token]:
    """Every token there ever was, by number."""
    columns = (tokens.c.id, tokens.c.user_name, tokens.c.label, tokens.c.role, tokens.c.created_us)
    query = sa.select(*columns, tokens.c.expires_us, tokens.c.revoked_us, tokens.c.used_us)
    rows = connection.execute(query.order_by(tokens.c.id))
    return [Token(row[0], row[1], row[2], Role(row[3]), *row[4:]) for row in rows]
