"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SiteFolder = Annotated[
    Path,
    typer.Argument(metavar="SITE", help="Folder that holds site.toml and register.csv.", show_default=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object a line, for machines.")]
From = Annotated[
    str | None,
    typer.Option(
        "--from", metavar="TIME", help="From this moment on: an RFC 3339 time, a date, or an age (6h, 3d)."
    ),
]
To = Annotated[str | None, typer.Option("--to", metavar="TIME", help="Up to this moment, not including it.")]
Operator = Annotated[
    str, typer.Option(envvar="HISSMARK_OPERATOR", metavar="NAME", help="Who does it; goes on record.")
]
By = Annotated[
    str,
    typer.Option(
        "--by", envvar="HISSMARK_OPERATOR", metavar="NAME", help="Who found, did or wants it; goes on record."
    ),
]
Comment = Annotated[str, typer.Option(metavar="TEXT", help="Why; goes on record.")]
Wait = Annotated[
    float, typer.Option(min=0, max=600, metavar="SECONDS", help="How long to wait for the service's answer.")
]


def add_family(parent: typer.Typer, app: typer.Typer, name: str, told: str, short: str) -> None:
    """Register commands that share a name and the site: `hissmark NAME SITE COMMAND`."""

    def remember(context: typer.Context, site: SiteFolder) -> None:
        context.obj = site

    remember.__doc__ = told
    app.callback()(remember)
    parent.add_typer(app, name=name, help=told, short_help=short)


def site_of(context: typer.Context) -> Path:
    """The site of a command of a family."""
    return Path(context.obj)
