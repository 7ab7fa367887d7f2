"""`hissmark doctor`: examine a site and say what is wrong and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from hissmark.doctor.finding import Finding

_EPILOG = """\b
Examples:
  hissmark doctor north
  hissmark doctor north --thorough
  hissmark doctor north --listen 60
  hissmark doctor north --json | jq 'select(.state == "wrong")'

Looks at the site folder, certificates, broker, service, database, backups and what arrives. It changes
nothing: with the broker it speaks under a name of its own, and only listens. Exit code 1 if something is
wrong."""

_MARKS = {"fine": "  ", "look": "? ", "wrong": "! "}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("doctor", short_help="Examine a site: what is wrong, what to do.", epilog=_EPILOG)(doctor)


def doctor(
    site: SiteFolder,
    thorough: Annotated[bool, typer.Option("--thorough", help="Read the whole database for damage.")] = False,
    listen: Annotated[
        float,
        typer.Option(metavar="SECONDS", min=0, max=3600, help="Listen to the broker for so long."),
    ] = 0.0,
    as_json: AsJson = False,
) -> None:
    """Examine a running or stopped site from all sides. Lines marked ! are wrong, ? worth a look."""
    from rich.console import Console

    from hissmark.cli.moments import now_us
    from hissmark.doctor.examine import Options, examine_site

    with Console(stderr=True).status("examining") as shown:
        told = lambda what: shown.update(f"examining: {what}")  # noqa: E731
        found = examine_site(site, now_us(), Options(thorough=thorough, listen_s=listen), told)
    if as_json:
        _print_json(found)
    else:
        _print(found)
    if any(f.state == "wrong" for f in found):
        raise typer.Exit(1)


def _print_json(found: list[Finding]) -> None:
    from hissmark.cli.output import put_json

    for f in found:
        put_json({"area": f.area, "state": str(f.state), "what": f.what, "do": f.do})


def _print(found: list[Finding]) -> None:
    area = ""
    for f in found:
        if f.area != area:
            typer.echo(f"{f.area}")
            area = f.area
        typer.echo(f"  {_MARKS[f.state]}{f.what}{' -> ' + f.do if f.do else ''}")
    counts = {state: sum(f.state == state for f in found) for state in ("wrong", "look")}
    typer.echo(f"\n{counts['wrong']} wrong (!), {counts['look']} worth a look (?), {len(found)} in all.")
