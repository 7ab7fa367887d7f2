"""`hissmark check`: every mistake in a site folder."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from hissmark.cli.errors import fail
from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.site import Problem, Site

_EPILOG = """\b
Examples:
  hissmark check north
  hissmark check north --json | jq -r .fix

Each line says file:line, how bad it is, the setting or column, what is wrong, and what to do. An error
keeps the service from starting, a warning does not. Once the service has run, names that were heard but
are not in the register are listed too, and what engineers have tuned beyond site.toml."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("check", short_help="Name every mistake in a site folder.", epilog=_EPILOG)(check)


def check(site: SiteFolder, as_json: AsJson = False) -> None:
    """Name every mistake in a site folder, with file, line and what to do.

    Exit code 0 if there is no error (warnings are allowed), else 1.
    """
    from hissmark.site.load import examine

    found, problems = examine(site)
    if found is not None:
        problems += _users_missing(found)
    for problem in problems:
        typer.echo(_as_json(problem) if as_json else _as_line(problem))
    if found is None:
        fail(f"{site}: {_counted(problems)}.")
    elif not as_json:
        _say_fine(found, problems)


def _as_line(problem: Problem) -> str:
    field = f" {problem.field}:" if problem.field else ""
    fix = f" {problem.fix}" if problem.fix else ""
    return f"{problem.where}: {problem.severity}:{field} {problem.message}{fix}"


def _as_json(problem: Problem) -> str:
    import json

    return json.dumps(dataclasses.asdict(problem), ensure_ascii=False)


def _counted(problems: list[Problem]) -> str:
    errors = sum(p.severity == "error" for p in problems)
    warnings = len(problems) - errors
    words = [
        f"{n} {word}" if n == 1 else f"{n} {word}s"
        for n, word in ((errors, "error"), (warnings, "warning"))
        if n
    ]
    return ", ".join(words) or "no problem"


def _say_fine(site: Site, problems: list[Problem]) -> None:
    register = site.register
    sizes = f"{len(register.channels)} channels, {len(register.valves)} valves, {len(register.groups)} groups"
    typer.echo(f"{site.folder}: {_counted(problems)} ({sizes}).")
    for line in _of_the_store(site):
        typer.echo(line)


def _users_missing(site: Site) -> list[Problem]:
    """A site that others are to reach needs users; `run` refuses without."""
    from hissmark.site.loopback import is_loopback
    from hissmark.site.problems import Problem, Severity

    host = site.settings.http.host
    if is_loopback(host) or _has_users(site):
        return []
    message = f"{host!r} can be reached from other machines, and the site has no users: `run` will refuse."
    fix = f"Make the first: hissmark user add {site.folder} NAME --role administrator"
    return [Problem("site.toml", None, "http.host", message, fix, Severity.WARNING)]


def _has_users(site: Site) -> bool:
    from hissmark.access import users
    from hissmark.store.errors import StoreError
    from hissmark.store.open import open_for_reading

    try:
        engine = open_for_reading(site.store_url, site.folder)
    except StoreError:  # no database yet
        return False
    try:
        with engine.connect() as connection:
            return users.exist(connection)
    finally:
        engine.dispose()


def _of_the_store(site: Site) -> list[str]:
    """What the store of a site that has run knows beyond its files."""
    prefix = "sqlite:///"
    if site.store_url.startswith(prefix) and not (site.folder / site.store_url[len(prefix) :]).is_file():
        return []
    from hissmark.cli.opened import opened
    from hissmark.cli.tuned_beyond import tuned_beyond
    from hissmark.store.errors import StoreError

    try:
        with opened(Path(site.folder)) as open_site:
            return [*_unknown_names(open_site), *tuned_beyond(open_site)]
    except StoreError as error:
        return [f"What the database knows beyond these files is not known: {error}"]


def _unknown_names(site: Opened) -> list[str]:
    """Names that arrive but are in no register."""
    rows = site.reader.unknown_names(limit=100)
    heard = [
        f"  {row.name}  (topic {row.topic}, {row.count} times, last value {row.last_value:g})" for row in rows
    ]
    return ["Heard but not in register.csv:", *heard] if rows else []
