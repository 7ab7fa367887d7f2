"""`hissmark repair`: findings and repairs, how the check of each stands, its certificate."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hissmark.cli.options import AsJson, By, add_family, site_of

_EPILOG = """\b
Examples:
  hissmark repair north record XV-203 --found passing --by "O. Berg"
  hissmark repair north record XV-203 --work seat-lapped --by "O. Berg" --cost 1250 --currency EUR
  hissmark repair north list
  hissmark repair north show 3
  hissmark repair north next
  hissmark repair north certificate 3 --out xv-203.pdf

Found: passing, tight, wrong-valve (with --source), sensor. Work: closed-fully, stops-set, seat-cleaned,
seat-lapped, seat-replaced, trim-replaced, valve-replaced, sensor-remounted, sensor-replaced, other.

After a repair its check runs by itself in the service: the valve and its group must stay back near their
backgrounds, under pressure difference, for a hold time. An aid for finding leaks, not proof of isolation."""

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, epilog=_EPILOG)

Number = Annotated[
    int, typer.Argument(metavar="NUMBER", help="Number of the repair, as `list` shows it.", min=1)
]
OfValve = Annotated[str | None, typer.Option("--valve", metavar="TAG", help="Only of this valve.")]
Paper = Annotated[str, typer.Option("--paper", metavar="SIZE", help="Paper of a PDF: A4 or Letter.")]


def add_to(parent: typer.Typer) -> None:
    """Register the commands."""
    told = "Findings and repairs of a site, and whether the sound says that they worked."
    add_family(parent, app, "repair", told, "Record repairs, see their checks, print certificates.")


@app.command("record", short_help="Put a finding, a repair, or both on record.")
def record(
    context: typer.Context,
    valve: Annotated[str, typer.Argument(metavar="VALVE", help="Tag of the valve.", show_default=False)],
    by: By = "",
    found: Annotated[str | None, typer.Option(metavar="WHAT", help="What was found.")] = None,
    work: Annotated[str | None, typer.Option(metavar="WHAT", help="What was done.")] = None,
    source: Annotated[
        str | None, typer.Option(metavar="TAG", help="For wrong-valve: the valve that passes instead.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When: an RFC 3339 time, or an age such as 2h. Now if left out."),
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Goes on record with it.")] = "",
    cost: Annotated[str | None, typer.Option(metavar="AMOUNT", help="What it cost, e.g. 1250.50.")] = None,
    currency: Annotated[str, typer.Option(metavar="CODE", help="Currency of --cost (ISO 4217).")] = "",
    corrects: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Number of the record that this one corrects.")
    ] = None,
) -> None:
    """Put on record what was found at a valve, what was done to it, or both. Nothing is ever overwritten."""
    if found is None and work is None:
        raise typer.BadParameter("say what was found (--found), what was done (--work), or both.")
    if corrects is not None and found is not None and work is not None:
        raise typer.BadParameter("--corrects corrects one record: give --found or --work, not both.")
    if not by.strip():
        raise typer.BadParameter("--by is needed: a record has a name to it.")
    if (cost is None) != (not currency):
        raise typer.BadParameter("--cost and --currency go together.")
    from hissmark.cli.repairing import Given, put_on_record

    given = Given(valve, by.strip(), found, work, source, at, note.strip(), cost, currency, corrects)
    for line in put_on_record(site_of(context), given):
        typer.echo(line)


@app.command("withdraw", short_help="Take a repair or a finding back.")
def withdraw(
    context: typer.Context,
    number: Number,
    by: By = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="Why; goes on record.")] = "",
    finding: Annotated[bool, typer.Option("--finding", help="NUMBER is that of a finding.")] = False,
) -> None:
    """Take a record back. It stays on record and counts for nothing."""
    if not by.strip() or not note.strip():
        raise typer.BadParameter("--by and --note are needed: say who takes it back, and why.")
    from hissmark.cli.repairing import take_back

    typer.echo(
        take_back(site_of(context), "finding" if finding else "repair", number, by.strip(), note.strip())
    )


@app.command("list", short_help="Repairs and findings on record.")
def list_all(
    context: typer.Context,
    valve: OfValve = None,
    everything: Annotated[bool, typer.Option("--all", help="Also what was corrected or taken back.")] = False,
    as_json: AsJson = False,
) -> None:
    """Repairs with how their checks stand, and findings; newest last."""
    from hissmark.cli.repairing import show_list

    show_list(site_of(context), valve, everything, as_json)


@app.command("show", short_help="One repair: levels before and after.")
def show(context: typer.Context, number: Number, as_json: AsJson = False) -> None:
    """One repair in full: what was done, what the check found, levels before and after."""
    from hissmark.cli.repairing import show_one

    show_one(site_of(context), number, as_json)


@app.command("next", short_help="Which valves to repair now, and which to leave alone.")
def next_(context: typer.Context, as_json: AsJson = False) -> None:
    """Which valves to repair now, in which order and why; which to leave alone, and what that has saved."""
    from hissmark.cli.repairing import show_next

    show_next(site_of(context), as_json)


@app.command("certificate", short_help="Print a repair's certificate into a PDF.")
def certificate(
    context: typer.Context,
    number: Number,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The PDF to write.")],
    paper: Paper = "A4",
) -> None:
    """Write the certificate of a repair whose check has ended: one page, A4 or Letter."""
    from hissmark.cli.printing import print_certificate

    typer.echo(print_certificate(site_of(context), number, out, paper))
