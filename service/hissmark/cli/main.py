"""The command `hissmark`. Each command's module is light; what it works with is imported when it runs."""

from __future__ import annotations

from typing import Annotated

import typer

from hissmark import __version__
from hissmark.cli import (
    act,
    alarms,
    backup,
    baselines,
    calibrate,
    check,
    doctor,
    explain,
    export,
    history,
    import_,
    legal_hold,
    losses,
    migrate,
    register,
    repair,
    replay,
    report,
    service,
    tune,
    users,
    verdicts,
    watch,
)
from hissmark.cli.errors import Commands

app = typer.Typer(
    name="hissmark",
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=(
        "\b\nBegin here:\n"
        "  hissmark demo                  see it work on an invented plant\n"
        "  hissmark check north           find every mistake in a site folder\n"
        "  hissmark run north             the service itself\n"
        "\n"
        "An aid for finding leaks, not proof of isolation: isolation for work follows your site's "
        "lockout/tagout and permit procedures. Exit codes: 0 fine, 1 a problem with the input, 2 wrong usage."
    ),
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"hissmark {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop."),
    ] = False,
) -> None:
    """Listens to closed valves through mounted sensors and names the one that leaks through its seat."""


for module in (
    service,
    check,
    watch,
    replay,
    alarms,
    act,
    verdicts,
    explain,
    losses,
    baselines,
    history,
    export,
    import_,
    legal_hold,
    register,
    tune,
    repair,
    report,
    calibrate,
    users,
    backup,
    migrate,
    doctor,
):
    module.add_to(app)


if __name__ == "__main__":
    app()
