"""`hissmark alarms`: what stands and what was."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import AsJson, From, SiteFolder, To

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.publish.shapes import GroupReading
    from hissmark.store.journal import JournalFilter

_ALARMS_EPILOG = """\b
Examples:
  hissmark alarms north                       what stands now, in sentences
  hissmark alarms north --journal --from 3d   what happened in the last three days
  hissmark alarms north --json                the whole journal, one JSON object a line
  hissmark alarms north --json --active       the alarms that stand now, likewise

Reads the store, so it works beside a running service and after it has stopped. A journal line has seq, at
(event time), recorded_at, valve, group, alarm, event, state (ISA-18.2), priority, rise_db, margin_db,
reason, operator, comment."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("alarms", epilog=_ALARMS_EPILOG)(alarms)


def alarms(
    site: SiteFolder,
    as_json: AsJson = False,
    active: Annotated[
        bool, typer.Option("--active", help="Only alarms that stand now (the default without --json).")
    ] = False,
    journal: Annotated[
        bool, typer.Option("--journal", help="Every line of the journal (the default with --json).")
    ] = False,
    valve: Annotated[str | None, typer.Option(metavar="VALVE", help="Only this valve.")] = None,
    from_: From = None,
    to: To = None,
) -> None:
    """Show the alarms that stand, or the alarm journal."""
    if active and (journal or from_ or to):
        raise typer.BadParameter("--active shows this moment; it does not go with --journal, --from or --to.")
    whole = journal or bool(from_ or to) or (as_json and not active)
    moment(from_), moment(to)  # wrong usage is said before the site is opened
    from hissmark.cli.opened import opened
    from hissmark.store.journal import JournalFilter

    with opened(site) as open_site:
        subject = None if valve is None else open_site.channel(valve).subject
        now = open_site.now_us
        wanted = JournalFilter(valve=subject, from_us=moment(from_, now), to_us=moment(to, now))
        if whole:
            _print_journal(open_site, wanted, as_json)
        else:
            _print_standing(open_site, wanted, as_json)


def _print_journal(site: Opened, wanted: JournalFilter, as_json: bool) -> None:
    from hissmark.cli.output import put_json
    from hissmark.cli.standing import pages
    from hissmark.publish.alarm_shapes import journal_shape

    empty = True
    for row in pages(site.reader, wanted):
        shape = journal_shape(row)
        empty = False
        if as_json:
            put_json(shape)
        else:
            typer.echo(f"{shape['at'][:19]}Z  {shape['sentence']}  [{shape['state']}]")
    if empty and not as_json:
        typer.echo("The journal has no entry for this.")


def _print_standing(site: Opened, wanted: JournalFilter, as_json: bool) -> None:
    from hissmark.cli.output import put_json
    from hissmark.cli.standing import standing
    from hissmark.publish.alarm_shapes import alarm_shape

    now, readings = site.now_us, _readings(site)
    rows = standing(site.reader, wanted)
    shapes = [alarm_shape(alarm, readings.get(alarm.group), now) for alarm in rows]
    if not as_json:
        _print_table(site, [(s["priority"], s["state"], s["valve"], s["sentence"]) for s in shapes], now)
        return
    for shape in shapes:
        put_json({key: value for key, value in shape.items() if key != "parts"})


def _print_table(site: Opened, rows: list[tuple[str, str, str, str]], now: int) -> None:
    from hissmark.cli.output import console, put_table, table
    from hissmark.publish.words import counted

    out = console()
    if rows:
        made = table("priority", "state", "valve", "what is known")
        for priority, state, valve, sentence in rows:
            made.add_row(
                priority, state, valve, sentence, style="bold" if state == "unacknowledged" else None
            )
        put_table(out, made)
        out.print()
    says = f"{counted(len(rows), 'alarm')} not at rest." if rows else "No alarm stands."
    out.print(f"{site.site.name}: {says} {freshness(site, now)}")


def freshness(site: Opened, now: int) -> str:
    """How old the newest data is, with a warning when that is too old to vouch for anything."""
    from hissmark.cli.output import ago

    last = site.last_heard_us
    if last is None:
        return "No data has arrived yet."
    slowest = max((c.interval_s or 0.0 for c in site.site.register.channels), default=0.0)
    limit_s = max(site.site.core.signal.stale_s, 3 * slowest)
    warning = " What is shown may be out of date: does the service run?" if now - last > limit_s * 1e6 else ""
    return f"Newest data {ago(last, now)}.{warning}"


def _readings(site: Opened) -> dict[str, GroupReading]:
    import msgspec

    return {r.group: msgspec.json.decode(r.payload) for r in site.reader.readings()}
