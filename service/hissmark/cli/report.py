"""`hissmark report`: what stood, what was repaired, and how the alarm system did in a period."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import From, SiteFolder, To

_EPILOG = """\b
Examples:
  hissmark report north --out week.pdf
  hissmark report north --from 2026-03-01 --to 2026-04-01 --out march.html

Leaks with their skylines and trends, repairs with levels before and after, alarm figures, sensors. HTML or
PDF by the name of the file; the HTML needs nothing but itself. [report] in site.toml has one made by itself
and sent to receivers of notifications."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("report", short_help="Write the report of a period as HTML or PDF.", epilog=_EPILOG)(report)


def report(
    site: SiteFolder,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The .html or .pdf to write.")],
    from_: From = None,
    to: To = None,
    paper: Annotated[str, typer.Option("--paper", metavar="SIZE", help="Of a PDF: A4 or Letter.")] = "A4",
) -> None:
    """Write the report of a period, by default of the last week, as HTML or PDF."""
    moment(from_), moment(to)  # wrong usage is said before the site is opened
    from hissmark.cli.printing import print_report

    typer.echo(print_report(site, from_, to, out, paper))
