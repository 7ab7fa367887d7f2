"""Against guessing: after some failures each further one doubles the wait.

Three counts, because each alone can be turned against somebody: one name from one address is the usual guess;
one address trying many names; one name from many addresses. The last is short on purpose: strangers must not
be able to keep the operator on shift from signing in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.store.dialects import cleaned, upsert
from hissmark.store.schema import sign_in_failures

US = 1_000_000
FORGET_S = 24 * 3600
"""After this long without a failure a count begins anew."""

MOST_ROWS = 10_000


@dataclass(frozen=True, slots=True)
class Limit:
    """`free` failures cost nothing; then 2, 4, 8... seconds, at most `longest_s`."""

    free: int
    longest_s: int

    def wait_s(self, failures: int) -> int:
        """How long after its last failure a subject is not listened to."""
        over = failures - self.free
        return 0 if over < 0 else min(2 ** min(over + 1, 30), self.longest_s)


NAME_AT_ADDRESS = Limit(free=5, longest_s=900)
ADDRESS = Limit(free=20, longest_s=900)
NAME = Limit(free=20, longest_s=60)


def subjects(name: str, address: str) -> Iterator[tuple[str, Limit]]:
    """What a try from `address` to be `name` counts against."""
    yield f"both|{address}|{name}", NAME_AT_ADDRESS
    yield f"address|{address}", ADDRESS
    yield f"name|{name}", NAME


def wait_s(connection: sa.Connection, name: str, address: str, now_us: int) -> float:
    """Seconds until a try is listened to; 0 if now."""
    table = sign_in_failures
    keys = [cleaned(subject) for subject, _ in subjects(name, address)]
    until_us = connection.scalar(sa.select(sa.func.max(table.c.until_us)).where(table.c.subject.in_(keys)))
    return max(0.0, ((until_us or 0) - now_us) / US)


def failed(connection: sa.Connection, name: str, address: str, now_us: int) -> float:
    """Count a failure. Returns the seconds until the next try is listened to."""
    longest = 0.0
    for subject, limit in subjects(name, address):
        failures = _failures(connection, cleaned(subject), now_us) + 1
        wait = limit.wait_s(failures)
        _write(connection, cleaned(subject), failures, now_us, now_us + wait * US)
        longest = max(longest, wait)
    _bound(connection)
    return longest


def succeeded(connection: sa.Connection, name: str, address: str) -> None:
    """Forget the failures of a name at an address. Those of the address stay: others may guess from it."""
    first, _ = next(subjects(name, address))
    connection.execute(sa.delete(sign_in_failures).where(sign_in_failures.c.subject == cleaned(first)))


def forgive(connection: sa.Connection, name: str) -> None:
    """Forget every failure of a name: its password was set anew."""
    subject = sign_in_failures.c.subject
    ours = subject.startswith("both|") & subject.endswith(f"|{cleaned(name)}", autoescape=True)
    connection.execute(sa.delete(sign_in_failures).where(ours | (subject == cleaned(f"name|{name}"))))


def _failures(connection: sa.Connection, subject: str, now_us: int) -> int:
    table = sign_in_failures
    row = connection.execute(sa.select(table).where(table.c.subject == subject)).one_or_none()
    return 0 if row is None or now_us - row.last_us > FORGET_S * US else int(row.failures)


def _write(connection: sa.Connection, subject: str, failures: int, now_us: int, until_us: int) -> None:
    insert = upsert(connection, sign_in_failures)
    values = {"failures": failures, "last_us": now_us, "until_us": until_us}
    statement = insert.values(subject=subject, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["subject"], set_=values))


def _bound(connection: sa.Connection) -> None:
    """Keep the newest; whoever tries ten thousand names must not fill the disk."""
    table = sign_in_failures
    count = connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0
    if count > MOST_ROWS:
        oldest = sa.select(table.c.subject).order_by(table.c.last_us).limit(count - MOST_ROWS)
        connection.execute(sa.delete(table).where(table.c.subject.in_(oldest)))
