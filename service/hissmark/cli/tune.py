"""`hissmark tune`: try settings on stored history, publish them, look at their versions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hissmark.cli.options import AsJson, By, Wait, add_family, site_of

_EPILOG = """\b
Examples:
  hissmark tune north busiest
  hissmark tune north try --valve XV-203 --from 30d --set rise_limit_db=8
  hissmark tune north sweep --from 30d --over rise_limit_db=4:12:9 --over odds_limit=0:16:9
  hissmark tune north suggest --from 365d --budget 0.1
  hissmark tune north publish --valve XV-203 --set rise_limit_db=8 --by "O. Berg" --reason "false alarms"
  hissmark tune north show XV-203 --at 2026-03-01T02:14:00Z
  hissmark tune north history
  hissmark tune north roll-back 41 --by "O. Berg" --reason "missed a leak"
  hissmark tune north export > tuned.toml

Trying changes nothing: it replays what is stored through the same computation, beside the running service.
What is published counts from the next tick on. site.toml gives the defaults; what is published wins over it,
the narrower level first: valve, group, site."""

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, epilog=_EPILOG)

Valves = Annotated[
    list[str],
    typer.Option("--valve", metavar="TAG", help="Only the groups of these valves (repeatable)."),
]
Since = Annotated[
    str,
    typer.Option("--from", metavar="TIME", help="Begin of the period: a time, a date, an age (30d)."),
]
Until = Annotated[
    str | None, typer.Option("--to", metavar="TIME", help="End of the period; the newest sample if left out.")
]
Before = Annotated[
    float,
    typer.Option("--before", metavar="DAYS", help="Learn backgrounds from so long before the period."),
]
Sets = Annotated[
    list[str], typer.Option("--set", metavar="NAME=VALUE", help="A changed setting (repeatable).")
]
Group = Annotated[str | None, typer.Option("--group", metavar="NAME", help="The setting is that of a group.")]
At = Annotated[
    str | None,
    typer.Option("--setting-of", metavar="TAG", help="The setting is that of one valve."),
]
Workers = Annotated[
    int | None, typer.Option(metavar="N", help="Processes; one for each few groups if left out.", min=1)
]
Why = Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why; goes on record.")]


def add_to(parent: typer.Typer) -> None:
    """Register the commands."""
    told = "Try settings on stored history, publish them, look at their versions."
    add_family(parent, app, "tune", told, "Try settings on history, publish them, take them back.")


@app.command("busiest", short_help="Valves with the most alarms, and why.")
def busiest(
    context: typer.Context,
    since: Since = "30d",
    until: Until = None,
    limit: Annotated[int, typer.Option(min=1, max=1000, help="How many valves.")] = 10,
    as_json: AsJson = False,
) -> None:
    """List the valves with the most alarms, what these have in common, and which setting to begin with."""
    from hissmark.cli import tuning

    tuning.busiest(site_of(context), since, until, limit, as_json)


@app.command("try", short_help="What would have happened with other settings?")
def try_(
    context: typer.Context,
    changed: Sets,
    since: Since = "30d",
    until: Until = None,
    valves: Valves = [],  # noqa: B006 - how Typer wants it
    group: Group = None,
    setting_of: At = None,
    before: Before = 14.0,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Replay a period with changed settings; show the alarms gained, lost and moved."""
    from hissmark.cli import tuning

    values = tuning.values_of(changed)
    place = tuning.place_of(group, setting_of)
    more = {"settings": [{**place, "values": values}]}
    tuning.run(site_of(context), "try", since, until, valves, before, workers, as_json, more)


@app.command("sweep", short_help="Try one or two settings over many values.")
def sweep(
    context: typer.Context,
    over: Annotated[
        list[str],
        typer.Option(
            "--over",
            metavar="NAME=LOW:HIGH:COUNT",
            help="A setting and its values, also NAME=V,V,V; twice at most.",
        ),
    ],
    since: Since = "30d",
    until: Until = None,
    valves: Valves = [],  # noqa: B006
    group: Group = None,
    setting_of: At = None,
    before: Before = 14.0,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Replay a period with every combination of values; show alarms, leaks found and missed of each."""
    from hissmark.cli import tuning

    more = {"axes": [tuning.axis_of(text) for text in over], **tuning.place_of(group, setting_of)}
    tuning.run(site_of(context), "sweep", since, until, valves, before, workers, as_json, more)


@app.command("suggest", short_help="Settings that keep to a budget of false alarms.")
def suggest(
    context: typer.Context,
    budget: Annotated[
        float,
        typer.Option(metavar="RATE", help="False alarms allowed in a valve and year, e.g. 0.1.", min=1e-6),
    ],
    since: Since = "365d",
    until: Until = None,
    over: Annotated[
        list[str],
        typer.Option(
            "--over",
            metavar="NAME=LOW:HIGH:COUNT",
            help="Settings to look through; rise_limit_db and odds_limit if left out.",
        ),
    ] = [],  # noqa: B006
    valves: Valves = [],  # noqa: B006
    group: Group = None,
    setting_of: At = None,
    before: Before = 14.0,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Look through settings for those that keep to a budget of false alarms and find the most."""
    from hissmark.cli import tuning

    axes = [tuning.axis_of(text) for text in over]
    more = {"axes": axes, "budget": budget, **tuning.place_of(group, setting_of)}
    tuning.run(site_of(context), "suggest", since, until, valves, before, workers, as_json, more)


@app.command("publish", short_help="Put settings live, with a reason.")
def publish(
    context: typer.Context,
    changed: Sets,
    by: By = "",
    reason: Why = "",
    group: Group = None,
    valve: Annotated[
        str | None, typer.Option("--valve", metavar="TAG", help="The setting is that of one valve.")
    ] = None,
    wait: Wait = 5.0,
) -> None:
    """Put settings live. NAME= (without a value) takes a value back to the wider level."""
    from hissmark.cli import tuned, tuning
    from hissmark.cli.tuned import Signed

    place = tuning.place_of(group, valve)
    values = tuning.values_of(changed, True)
    tuned.publish(site_of(context), place, values, Signed(by, reason, wait))


@app.command("show", short_help="Settings in force for a valve, and from where.")
def show(
    context: typer.Context,
    valve: Annotated[str, typer.Argument(metavar="VALVE", help="Tag of the valve.", show_default=False)],
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="As of this moment.")] = None,
    as_json: AsJson = False,
) -> None:
    """Show the settings in force for a valve, now or at a past moment, and which level gives each."""
    from hissmark.cli import tuned

    tuned.show(site_of(context), valve, at, as_json)


@app.command("history", short_help="Every version of the settings.")
def history(context: typer.Context, as_json: AsJson = False) -> None:
    """List who changed which settings, when and why; newest last."""
    from hissmark.cli import tuned

    tuned.history(site_of(context), as_json)


@app.command("diff", short_help="What differs between two versions.")
def diff(
    context: typer.Context,
    start: Annotated[int, typer.Argument(metavar="FROM", help="A version; 0: before the first.", min=0)],
    end: Annotated[int, typer.Argument(metavar="TO", help="Another version's number.", min=0)],
    as_json: AsJson = False,
) -> None:
    """Show what differs between two versions of the settings."""
    from hissmark.cli import tuned

    tuned.diff(site_of(context), start, end, as_json)


@app.command("roll-back", short_help="Back to an earlier version.")
def roll_back(
    context: typer.Context,
    version: Annotated[
        int, typer.Argument(metavar="VERSION", help="Back to this version; 0: to the file's values.", min=0)
    ],
    by: By = "",
    reason: Why = "",
    wait: Wait = 5.0,
) -> None:
    """Put back what was in force once a version was applied. That is a version of its own."""
    from hissmark.cli import tuned
    from hissmark.cli.tuned import Signed

    tuned.roll_back(site_of(context), version, Signed(by, reason, wait))


@app.command("export", short_help="What is tuned, as TOML.")
def export(context: typer.Context) -> None:
    """Write what is tuned now as TOML to standard output."""
    from hissmark.cli import tuned

    tuned.export(site_of(context))


@app.command("import", short_help="Make the tuned settings what a TOML file says.")
def import_(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="As `export` writes it.", show_default=False)],
    by: By = "",
    reason: Why = "",
    wait: Wait = 5.0,
) -> None:
    """Make the tuned settings what a file says. What the file does not set is taken back."""
    from hissmark.cli import tuned
    from hissmark.cli.tuned import Signed

    tuned.import_(site_of(context), file, Signed(by, reason, wait))
