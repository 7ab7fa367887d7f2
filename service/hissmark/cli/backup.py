"""`hissmark backup` and `hissmark restore`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from hissmark.cli.options import AsJson, SiteFolder

_BACKUP = """\b
Examples:
  hissmark backup north --out /backups/north-monday
  hissmark backup north --out /backups/north-monday --json

Works beside the running service and holds nothing up. The folder holds site.toml, register.csv, every table
as Parquet, sealed history, and backup.json with a checksum for each file. It also holds password hashes:
keep it as you keep the database. Secrets that site.toml only names (keys, passwords) are not in it."""

_RESTORE = """\b
Examples:
  hissmark restore /backups/north-monday north-again
  hissmark restore /backups/north-monday north-again --store postgresql+psycopg://hissmark@db/hissmark

Checks every file first and overwrites nothing. `hissmark run` then takes up where the backup ended; what the
broker still holds for the service comes in after that."""


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command("backup", short_help="Copy a running or stopped site, consistently.", epilog=_BACKUP)(backup)
    app.command("restore", short_help="Make a site folder from a backup.", epilog=_RESTORE)(restore)


def backup(
    site: SiteFolder,
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="New folder for the backup.", show_default=False)
    ],
    as_json: AsJson = False,
) -> None:
    """Write a complete, consistent copy of a site into a new folder."""
    from hissmark.backup.write import write_backup
    from hissmark.cli.moments import now_us
    from hissmark.cli.output import put_json
    from hissmark.site.load import load_site

    with _progress("writing") as told:
        made = write_backup(load_site(site), out, now_us(), told)
    manifest = made.manifest
    if as_json:
        row = {"folder": str(made.folder), "made_at": manifest.made_at, "rows": manifest.rows}
        put_json(row | {"bytes": manifest.size, "files": len(manifest.files)})
        return
    typer.echo(
        f"{made.folder}: {manifest.rows:,} rows, {manifest.size / 1e6:,.1f} MB, as of {manifest.made_at}."
    )


def restore(
    backup: Annotated[
        Path, typer.Argument(metavar="BACKUP", help="Folder of the backup.", show_default=False)
    ],
    site: SiteFolder,
    store: Annotated[
        str | None,
        typer.Option(metavar="URL", help="Database to restore into, if not the one the settings name."),
    ] = None,
) -> None:
    """Make a site folder from a backup. SITE must not hold a site yet."""
    from hissmark.backup.restore import restore_backup

    with _progress("restoring") as told:
        made = restore_backup(backup, site, store, told)
    typer.echo(
        f"{site}: restored as of {made.manifest.made_at}, {made.manifest.rows:,} rows, into {made.store}."
    )
    if store is not None:
        typer.echo("Set [store] url in its site.toml to that database before `hissmark run`.")


@contextmanager
def _progress(doing: str) -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar on the terminal's error stream; nothing where nobody looks."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    shown = Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True)
    with shown:
        task = shown.add_task(doing, total=None)

        def told(what: str, done: int, rows: int) -> None:
            shown.update(task, description=f"{doing} {what}", completed=done, total=max(rows, 1))

        yield told
