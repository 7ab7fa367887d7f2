"""`hissmark explain`: the story of a verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from rich.table import Table

    from hissmark.engine.telling import Story
    from hissmark.publish.story_shapes import RepairedShape
    from hissmark.store.recall import Told

_EPILOG = """\b
Examples:
  hissmark explain north XV-203
  hissmark explain north XV-203 --at 2026-03-01T02:14:00Z
  hissmark explain north XV-203 --json | jq .would_change

Works from the state that the service last saved and what was stored since. Of a moment before that, the
levels, backgrounds and verdicts are on record; the explanations are compared anew with losses
as they are known now, and how much evidence had been gathered is not known. The story says which."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("explain", short_help="Tell why a valve's verdict is what it is.", epilog=_EPILOG)(explain)


def explain(
    site: SiteFolder,
    valve: Annotated[
        str, typer.Argument(metavar="VALVE", help="Tag of the valve, or a channel.", show_default=False)
    ],
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="At this moment: an RFC 3339 time, or an age (6h, 3d)."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell what was heard, which explanations were compared, and what would change the verdict."""
    moment(at)  # wrong usage is said before the site is opened
    from hissmark.cli.errors import CommandError
    from hissmark.cli.opened import opened
    from hissmark.cli.output import put_json
    from hissmark.engine.layout import Layout
    from hissmark.publish.story_shapes import story_shape
    from hissmark.repairs.told import repaired
    from hissmark.store.recall import story_at
    from hissmark.store.repairs import RepairBook

    with opened(site) as open_site:
        channel = open_site.channel(valve)
        layout = Layout.of(open_site.site.register, open_site.site.core)
        at_us = moment(at, open_site.now_us)
        found = story_at(layout, open_site.reader, layout.channels.index(channel), at_us)
        if found is None:
            when = "yet" if at is None else "at that moment"
            raise CommandError(f"{channel.subject} has no verdict {when}: nothing was judged.")
        engine = open_site.reader.engine
        repair = repaired(RepairBook(engine, engine), found.story.subject, found.story.at_us)
        if as_json:
            put_json(story_shape(found.story, found.basis, found.saved_us, repair))
        else:
            _print(found, repair)


def _print(found: Told, repair: RepairedShape | None) -> None:
    from hissmark.cli.output import console, put_table
    from hissmark.publish.story import changes, told
    from hissmark.publish.times import rfc3339

    story, out = found.story, console()
    made_of = {
        "saved state": f"from the state saved {rfc3339(found.saved_us or 0)} and what was stored since",
        "history": "from the history; losses as known now",
    }[found.basis]
    out.print(f"{story.subject} at {rfc3339(story.at_us)} ({made_of})\n")
    for paragraph in told(story):
        out.print(paragraph)
    if repair is not None:
        out.print(repair["sentence"])
    out.print()
    put_table(out, _levels(story))
    if story.wants:
        out.print("\nWhat would change the verdict:")
        for sentence in changes(story):
            out.print(f"- {sentence}")
    out.print("\nAn aid for finding leaks, not proof of isolation.", style="dim")


def _levels(story: Story) -> Table:
    from hissmark.cli.output import table

    numbers = ("level", "background", "rise", "expected", "residual")
    made = table("", *numbers, "verdict", "why", right=numbers)
    for v in story.voices:
        levels = (v.level_db, v.baseline_db, v.rise_db, v.expected_db, v.residual_db)
        cells = ["" if x is None else f"{x:.1f} dB" for x in levels]
        said = v.verdict.text if v.is_valve else "reference point"
        made.add_row(v.subject, *cells, said, v.reason.text, style="bold" if v is story.own else None)
    return made
