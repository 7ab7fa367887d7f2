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
