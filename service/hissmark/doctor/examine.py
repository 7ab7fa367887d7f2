"""`hissmark doctor`: every look at a site, in the order in which trouble usually begins."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from hissmark.access import users
from hissmark.doctor.broker import look_at_broker
from hissmark.doctor.certificates import look_at_certificates
from hissmark.doctor.data import look_at_data
from hissmark.doctor.finding import Finding, State, fine, look, wrong
from hissmark.doctor.register import look_at_register
from hissmark.doctor.secrecy import look_at_secrecy
from hissmark.doctor.service import look_at_service
from hissmark.doctor.storage import look_at_backups, look_at_keeping, look_at_storage
from hissmark.doctor.values import look_at_values, recent
from hissmark.site.load import Site, examine
from hissmark.site.problems import Severity
from hissmark.store.errors import StoreError
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader

Told = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Options:
    """`thorough` reads the whole database for damage. `patience_s`: longest wait for a broker or service.

    `listen_s`: how long to listen to what comes from the broker; 0: not.
    """

    thorough: bool = False
    patience_s: float = 5.0
    listen_s: float = 0.0


def examine_site(folder: Path, now_us: int, options: Options, told: Told = lambda _: None) -> list[Finding]:
    """Everything that can be found out about a site. Changes nothing; works beside a running service."""
    told("site folder")
    site, problems = examine(folder)
    found = [
        Finding(
            "site folder", State.WRONG if p.severity is Severity.ERROR else State.LOOK,
            f"{p.where}: {p.field + ': ' if p.field else ''}{p.message}", p.fix,
        )
        for p in problems
    ]  # fmt: skip
    if site is None:
        return found
    if not found:
        found.append(fine("site folder", f"{len(site.register.channels)} channels, no mistake."))
    found += look_at_secrecy(site)
    told("certificates")
    found += look_at_certificates(site, now_us)
    told("broker")
    found += look_at_broker(site, options.patience_s, options.listen_s)
    told("service")
    found += look_at_service(site, options.patience_s)
    return found + list(_store(site, now_us, options, told))


def _store(site: Site, now_us: int, options: Options, told: Told) -> Iterator[Finding]:
    told("database")
    try:
        engine = open_for_reading(site.store_url, site.folder)
    except StoreError as error:
        yield wrong("database", str(error), "See above; nothing in it could be looked at.")
        return
    try:
        yield from look_at_storage(site, engine, options.thorough)
        yield _users(site, engine)
        yield from look_at_keeping(site)
        told("data")
        yield from _arrived(site, Reader(engine, site.archive), now_us)
        yield from look_at_backups(site, now_us)
    except StoreError as error:
        yield wrong("database", str(error), "Look at the database; the rest could not be looked at.")
    finally:
        engine.dispose()


def _arrived(site: Site, reader: Reader, now_us: int) -> Iterator[Finding]:
    readings = [c for row in reader.readings() for c in json.loads(row.payload)["channels"]]
    yield from look_at_register(
        site.register, {c["channel"]: c["interval_s"] for c in readings if c["interval_s"]}
    )
    yield from look_at_data(site, reader, now_us, readings)
    yield from look_at_values(site.register, reader, recent(reader))


def _users(site: Site, engine: sa.Engine) -> Finding:
    with engine.begin() as connection:
        known = users.exist(connection)
    if known:
        return fine("access", "Users are set up; everybody has to sign in.")
    do = f"Make the first: hissmark user add {site.folder} NAME --role administrator"
    return look("access", "There are no users: pages answer this machine only, and ask nobody.", do)
