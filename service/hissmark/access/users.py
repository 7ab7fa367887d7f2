"""Users: names, roles, passwords. Never removed, only disabled: the record names them for good."""

from __future__ import annotations

import re
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.access.errors import AccessError
from hissmark.access.roles import Role
from hissmark.store.schema import sessions, users

_NAME = re.compile(r"[\w.@+-]+(?: [\w.@+-]+)*")
_LONGEST_NAME = 64


@dataclass(frozen=True, slots=True)
class User:
    """One user. `disabled_us` is None while the user may sign in."""

    name: str
    role: Role
    created_us: int
    password_us: int
    disabled_us: int | None


def checked_name(text: str) -> str:
    """A name that can be shown anywhere. Raises AccessError if it cannot."""
    name = text.strip()
    if not _NAME.fullmatch(name) or len(name) > _LONGEST_NAME:
        raise AccessError(
            f"{text!a} cannot be the name of a user. Use letters, digits, single blanks and . _ - + @, at "
            f"most {_LONGEST_NAME} characters."
        )
    return name


def exist(connection: sa.Connection) -> bool:
    """Whether there is any user, disabled ones included: disabling the last must not open the doors."""
    return connection.scalar(sa.select(sa.literal(1)).select_from(users).limit(1)) is not None


def listed(connection: sa.Connection) -> list[User]:
    """Every user by name."""
    return [_user(row) for row in connection.execute(sa.select(users).order_by(users.c.name))]


def find(connection: sa.Connection, name: str) -> User | None:
    """The user of that name; None if there is none."""
    row = connection.execute(sa.select(users).where(users.c.name == name)).one_or_none()
    return None if row is None else _user(row)


def get(connection: sa.Connection, name: str) -> User:
    """The user of that name. Raises AccessError that lists who there is."""
    found = find(connection, name)
    if found is None:
        names = ", ".join(user.name for user in listed(connection)[:20]) or "nobody yet"
        raise AccessError(f"There is no user {name!a}. Users are: {names}.")
    return found


def password_hash(connection: sa.Connection, name: str) -> str | None:
    """The stored hash of a user who may sign in; None for everybody else."""
    query = sa.select(users.c.password_hash).where(users.c.name == name, users.c.disabled_us.is_(None))
    return connection.scalar(query)


def add(connection: sa.Connection, name: str, role: Role, stored: str, now_us: int) -> None:
    """A new user. Raises AccessError if the name is taken (upper and lower case count as the same)."""
    taken = [user.name for user in listed(connection) if user.name.casefold() == name.casefold()]
    if taken:
        raise AccessError(
            f"There is a user {taken[0]!r} already. Change the role with `user role`, the password with "
            "`user password`."
        )
    connection.execute(
        sa.insert(users).values(
            name=name, role=str(role), password_hash=stored, created_us=now_us, password_us=now_us
        )
    )


def set_password(connection: sa.Connection, name: str, stored: str, now_us: int) -> None:
    """Another password; every session of the user ends."""
    get(connection, name)
    connection.execute(
        sa.update(users).where(users.c.name == name).values(password_hash=stored, password_us=now_us)
    )
    end_sessions(connection, name)


def rehash(connection: sa.Connection, name: str, stored: str) -> None:
    """The same password, hashed with today's parameters."""
    connection.execute(sa.update(users).where(users.c.name == name).values(password_hash=stored))


def set_role(connection: sa.Connection, name: str, role: Role) -> Role:
    """Another role, from the next request on. Returns the one before."""
    before = get(connection, name).role
    connection.execute(sa.update(users).where(users.c.name == name).values(role=str(role)))
    return before


def set_disabled(connection: sa.Connection, name: str, disabled_us: int | None) -> None:
    """Disable (and end every session), or let in again with None."""
    get(connection, name)
    connection.execute(sa.update(users).where(users.c.name == name).values(disabled_us=disabled_us))
    if disabled_us is not None:
        end_sessions(connection, name)


def end_sessions(connection: sa.Connection, name: str) -> None:
    """Sign a user out everywhere."""
    connection.execute(sa.delete(sessions).where(sessions.c.user_name == name))


def _user(row: sa.Row[tuple[object, ...]]) -> User:
    r = row._mapping
    return User(r["name"], Role(r["role"]), r["created_us"], r["password_us"], r["disabled_us"])
