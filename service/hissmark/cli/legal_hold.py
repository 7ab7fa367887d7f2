"""`hissmark legal-hold`: what may not be deleted, however old it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from hissmark.store.archive.holds import Hold

_EPILOG = """\b
Examples:
  hissmark legal-hold place north --valve XV-203 --from 2026-01-01 --to 2026-02-01 \\
                            --reason "insurance case" --by mia
  hissmark legal-hold place north --from 2026-01-01 --to 2026-02-01 --reason audit --by mia
  hissmark legal-hold list north
  hissmark legal-hold release north 3 --by mia

Samples under a hold stay when the times of [store] in site.toml are over; without --valve everything
of that time. Placing and releasing are in the audit journal."""

holding = typer.Typer(no_args_is_help=True, epilog=_EPILOG, rich_markup_mode=None)


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.add_typer(holding, name="legal-hold", short_help="Keep samples from being deleted.", epilog=_EPILOG)


@holding.callback()
def legal_hold() -> None:
    """Keep samples of a time from being deleted, of one valve or of all."""


_By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who decided it.")]


@holding.command("place", epilog=_EPILOG)
def place(
    site: SiteFolder,
    from_: Annotated[str, typer.Option("--from", metavar="TIME", help="From this moment on.")],
    to: Annotated[str, typer.Option("--to", metavar="TIME", help="Up to this moment, not including it.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why, for the record.")],
    by: _By,
    valve: Annotated[
        str | None, typer.Option(metavar="VALVE", help="Only this valve; else everything.")
    ] = None,
) -> None:
    """Place a hold."""
    begin, end = moment(from_), moment(to)
    if begin is None or end is None or begin >= end:
        raise typer.BadParameter("--from must be earlier than --to.")
    from hissmark.access.audit import Author
    from hissmark.cli.moments import now_us
    from hissmark.cli.opened import opened
    from hissmark.store.archive import holds
    from hissmark.store.open import open_for_actions

    with opened(site) as open_site:
        subject = open_site.channel(valve).subject if valve is not None else None
        engine = open_for_actions(open_site.site.store_url, open_site.site.folder)
    with engine.begin() as connection:
        author = Author(by, "command line")
        number = holds.place(connection, subject, begin, end, reason, author, now_us())
    engine.dispose()
    typer.echo(f"Hold {number} is placed: {subject or 'everything'} stays.")


@holding.command("release", epilog=_EPILOG)
def release(site: SiteFolder, number: Annotated[int, typer.Argument(metavar="NUMBER")], by: _By) -> None:
    """Release a hold: what is old enough goes with the next housekeeping."""
    from hissmark.access.audit import Author
    from hissmark.cli.errors import CommandError
    from hissmark.cli.moments import now_us
    from hissmark.site import load_site
    from hissmark.store.archive import holds
    from hissmark.store.open import open_for_actions

    loaded = load_site(site)
    engine = open_for_actions(loaded.store_url, loaded.folder)
    with engine.begin() as connection:
        done = holds.release(connection, number, Author(by, "command line"), now_us())
    engine.dispose()
    if not done:
        raise CommandError(f"There is no hold {number} that stands; `hissmark legal-hold list` shows them.")
    typer.echo(f"Hold {number} is released.")


@holding.command("list", epilog=_EPILOG)
def show(site: SiteFolder, as_json: AsJson = False) -> None:
    """Show every hold, released ones too."""
    from hissmark.cli.output import console, put_json, put_table, table

    held = _read(site)
    if as_json:
        for hold in held:
            put_json(_shape(hold))
        return
    made = table("number", "what", "from", "to", "reason", "by", "released by")
    for hold in held:
        row = _shape(hold)
        made.add_row(
            str(hold.id), hold.valve or "everything", row["from"], row["to"], hold.reason, hold.placed_by,
            hold.released_by or "-",
        )  # fmt: skip
    put_table(console(), made)


def _read(site: Path) -> list[Hold]:
    from hissmark.site import load_site
    from hissmark.store.archive import holds
    from hissmark.store.open import open_for_reading

    loaded = load_site(site)
    engine = open_for_reading(loaded.store_url, loaded.folder)
    with engine.begin() as connection:
        found = holds.read(connection)
    engine.dispose()
    return found


def _shape(hold: Hold) -> dict[str, str]:
    from hissmark.publish.times import rfc3339, rfc3339_or_none

    return {
        "number": str(hold.id), "valve": hold.valve or "",
        "from": rfc3339(hold.from_us), "to": rfc3339(hold.to_us),
        "reason": hold.reason, "placed_by": hold.placed_by, "placed_at": rfc3339(hold.placed_us),
        "released_by": hold.released_by or "", "released_at": rfc3339_or_none(hold.released_us) or "",
    }  # fmt: skip
