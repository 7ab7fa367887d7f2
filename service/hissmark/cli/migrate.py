"""`hissmark migrate`: the database's tables, by their owner."""

from __future__ import annotations

from typing import Annotated

import typer

from hissmark.cli.options import AsJson, SiteFolder

_EPILOG = """\b
Examples:
  hissmark migrate north
  HISSMARK_STORE_URL=postgresql+psycopg://hissmark_owner@db/hissmark hissmark migrate north

Only needed where the service runs as a user of PostgreSQL that owns nothing: `hissmark run` brings the
tables up to date by itself where it may. Stop the service first, and make a backup."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(
        "migrate", short_help="Make the database's tables, or bring them up to date.", epilog=_EPILOG
    )(migrate)


def migrate(
    site: SiteFolder,
    store: Annotated[
        str | None,
        typer.Option(metavar="URL", help="Address of the database as its owner, if not the site's own."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Make the tables of a site's database, or bring them to this program's version."""
    from hissmark.cli.moments import now_us
    from hissmark.cli.output import put_json
    from hissmark.site.load import load_site
    from hissmark.store.open import migrate as brought_up_to_date
    from hissmark.store.partitions import tend

    loaded = load_site(site)
    done = brought_up_to_date(store or loaded.store_url, loaded.folder)
    try:
        tend(done.engine, now_us())
    finally:
        done.engine.dispose()
    if as_json:
        put_json({"store": done.place, "was": done.was, "version": done.version})
        return
    if done.was == done.version:
        typer.echo(f"{done.place}: the tables are up to date (version {done.version}).")
    else:
        typer.echo(f"{done.place}: the tables are of version {done.version} now (were {done.was or 'none'}).")
