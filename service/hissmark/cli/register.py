"""`hissmark register`: the register of channels looked at, changed while the service runs, and taken back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.errors import CommandError
from hissmark.cli.options import AsJson, Comment, Operator, Wait, add_family, site_of
from hissmark.cli.registering import answer, cells_of_options, opened_book, put_changes, version_of

if TYPE_CHECKING:
    from hissmark.upkeep.commissioning import ChannelCheck

_EPILOG = """\b
Examples:
  hissmark register north import valves.csv                 what is wrong with it, what it would change
  hissmark register north import valves.csv --apply --operator "M. Okafor" --comment "north header added"
  hissmark register north export --out register-today.csv
  hissmark register north history
  hissmark register north diff 3 5
  hissmark register north rollback 3 --operator "M. Okafor" --comment "wrong file"
  hissmark register north add                               names that arrive and are not in the register
  hissmark register north add AE-7 --valve XV-7 --group flare --position 7 --apply --operator "M. Okafor"
  hissmark register north move AE-7 XV-9 --apply --operator "M. Okafor"

Nothing changes without --apply. A running service takes the register over between two ticks, a stopped one
when it starts. Every version stays on record."""

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, epilog=_EPILOG)

Apply = Annotated[bool, typer.Option("--apply", help="Put it in force; without, it is only looked at.")]
Set = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="COLUMN=TEXT", help="Further cells of the row, e.g. distance_m=4.5."),
]
Version = Annotated[int, typer.Argument(metavar="VERSION", help="Number of the version.", show_default=False)]


def add_to(parent: typer.Typer) -> None:
    """Register the commands."""
    told = "The register of channels: import, export, history, changes while the service runs."
    add_family(parent, app, "register", told, "Change, check and take back the register of channels.")


@app.command("import", short_help="Look at a CSV, and put it in force.")
def import_(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The CSV.", exists=True, dir_okay=False)],
    apply: Apply = False,
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 30,
    as_json: AsJson = False,
) -> None:
    """Name every problem of a CSV and what it would change; with --apply put it in force.

    Any CSV that a spreadsheet saves will do: commas, semicolons or tabs, decimal commas, any usual encoding.
    """
    from hissmark.store.registers import How

    with opened_book(site_of(context), apply, operator) as (book, present):
        candidate = book.look_at(present, file.read_bytes(), file.name)
        answer(book, candidate, How.IMPORTED, apply, operator, comment, wait, as_json)


@app.command("add", short_help="Add a channel, or list names that are not in the register.")
def add(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="Name it arrives under.")] = None,
    valve: Annotated[
        str, typer.Option(metavar="TAG", help="The valve it sits on; none: a reference point.")
    ] = "",
    group: Annotated[str, typer.Option(metavar="GROUP", help="Its group.")] = "",
    position: Annotated[int | None, typer.Option(help="Its place along the pipe.")] = None,
    more: Set = None,
    apply: Apply = False,
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 30,
    as_json: AsJson = False,
) -> None:
    """Add one channel. Without a name: list the names that arrive but are not in the register."""
    from hissmark.site.candidate import with_rows
    from hissmark.store.registers import How

    if name is None:
        _list_unknown(site_of(context), as_json)
        return
    row = {
        "channel": name, "kind": "valve" if valve else "reference", "valve": valve, "group": group,
        "position": "" if position is None else str(position), **cells_of_options(more),
    }  # fmt: skip
    with opened_book(site_of(context), apply, operator) as (book, present):
        candidate = book.look_at_text(present, with_rows(present, [row]))
        answer(book, candidate, How.ADDED, apply, operator, comment, wait, as_json)


@app.command("move", short_help="Say that a sensor sits on another valve now.")
def move(
    context: typer.Context,
    channel: Annotated[str, typer.Argument(metavar="CHANNEL", help="The sensor's channel.")],
    valve: Annotated[str, typer.Argument(metavar="VALVE", help="Tag of the valve it sits on now.")],
    more: Set = None,
    apply: Apply = False,
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 30,
    as_json: AsJson = False,
) -> None:
    """Move a sensor to another valve. Valve and sensor both keep their history.

    If the valve had a sensor, its row is taken out, and the moved one takes over its place in the group.
    """
    from hissmark.site.candidate import EditError, moved_to
    from hissmark.store.registers import How

    with opened_book(site_of(context), apply, operator) as (book, present):
        try:
            text = moved_to(present, channel, valve, cells_of_options(more))
        except EditError as error:
            raise CommandError(str(error)) from None
        answer(
            book, book.look_at_text(present, text), How.MOVED, apply, operator, comment, wait, as_json
        )  # fmt: skip


@app.command("rollback", short_help="Put a version of before in force again.")
def rollback(
    context: typer.Context,
    version: Version,
    apply: Apply = False,
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 30,
    as_json: AsJson = False,
) -> None:
    """Put a version of before in force again; it becomes a new version."""
    from hissmark.store.registers import How

    with opened_book(site_of(context), apply, operator) as (book, present):
        text = version_of(book, version).text
        why = comment or f"back to version {version}"
        answer(
            book, book.look_at_text(present, text), How.ROLLED_BACK, apply, operator, why, wait, as_json
        )  # fmt: skip


@app.command("export", short_help="The register as CSV.")
def export(
    context: typer.Context,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Into this file.")] = None,
    version: Annotated[int | None, typer.Option(help="A version of before.")] = None,
) -> None:
    """Write the register in force, or a version of before, as CSV after RFC 4180 (UTF-8)."""
    from hissmark.site.register_text import register_text

    with opened_book(site_of(context), False, "") as (book, present):
        text = register_text(present) if version is None else version_of(book, version).text
    if out is None:
        sys.stdout.write(text.replace("\r\n", "\n"))
    else:
        out.write_bytes(text.encode())
        typer.echo(f"{out}: written.")


@app.command("history", short_help="Who changed the register, when and why.")
def history(
    context: typer.Context,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="Newest versions to show.")] = 50,
    as_json: AsJson = False,
) -> None:
    """Every version of the register, newest first."""
    from hissmark.cli.output import console, put_json, put_table, table
    from hissmark.upkeep.shapes import version_shape

    with opened_book(site_of(context), False, "") as (book, _):
        rows = [version_shape(v) for v in book.versions(limit=limit)]
    if as_json:
        for row in rows:
            put_json(row)
        return
    made = table("version", "in force since", "how", "by", "outcome", "why", right=("version",))
    for r in rows:
        made.add_row(
            str(r["version"]), r["in_force"] or "", r["how"], r["operator"], r["outcome"], r["comment"]
        )
    put_table(console(), made)


@app.command("diff", short_help="What changed between two versions.")
def diff(
    context: typer.Context,
    first: Annotated[int | None, typer.Argument(metavar="[VERSION]", help="The earlier one.")] = None,
    second: Annotated[int | None, typer.Argument(metavar="[VERSION]", help="The later one.")] = None,
    as_json: AsJson = False,
) -> None:
    """What changed from one version to another; without numbers: with the last change."""
    from hissmark.site.candidate import register_of
    from hissmark.site.register_diff import difference

    with opened_book(site_of(context), False, "") as (book, present):
        newest = book.in_force()
        if first is None:
            first = newest.base_id if newest else None
        if first is None:
            raise CommandError("There is only one version of the register.")
        before = register_of(version_of(book, first).text)
        after = present if second is None else register_of(version_of(book, second).text)
    put_changes(difference(before, after), as_json)


@app.command("commission", short_help="Does each sensor and tag deliver what the register says?")
def commission(
    context: typer.Context,
    group: Annotated[str | None, typer.Argument(metavar="[GROUP]", help="Only this group.")] = None,
    as_json: AsJson = False,
) -> None:
    """Check every channel: heard, believable, on time, tags alive, spill in the order of the register.

    Exit code 1 if something is wrong. What has not been seen yet is no fault.
    """
    from hissmark.cli.opened import opened
    from hissmark.cli.output import put_json
    from hissmark.upkeep.commissioning import Standing
    from hissmark.upkeep.looking import commission as look
    from hissmark.upkeep.shapes import check_shape

    with opened(site_of(context)) as site:
        groups = list(site.site.register.groups)
        if group is not None and group not in groups:
            raise CommandError(f"{group!r} is no group. Groups are: {', '.join(groups)}.")
        found = look(site.reader, site.site.register, groups if group is None else [group], site.now_us)
    for name, checks in found.items():
        for check in checks:
            put_json(check_shape(check, name)) if as_json else _put_check(check, name)
    if any(c.standing is Standing.WRONG for checks in found.values() for c in checks):
        raise typer.Exit(1)


def _put_check(check: ChannelCheck, group: str) -> None:
    typer.echo(f"{check.channel} ({check.subject}, group {group}): {check.standing}")
    for p in check.points:
        mark = "" if p.standing == "fine" else f"{p.standing}: "
        typer.echo(f"    {p.what}: {mark}{p.found}. {p.do}".rstrip())


def _list_unknown(site: Path, as_json: bool) -> None:
    from hissmark.cli.opened import opened
    from hissmark.cli.output import ago, console, put_json, put_table, table
    from hissmark.publish.times import rfc3339

    with opened(site) as open_site:
        rows, now_us = open_site.reader.unknown_names(), open_site.now_us
    if as_json:
        for u in rows:
            put_json({"name": u.name, "topic": u.topic, "count": u.count, "last_value": u.last_value,
                      "last_seen": rfc3339(u.last_seen_us)})  # fmt: skip
        return
    if not rows:
        typer.echo("Every name that arrives is in the register.")
        return
    made = table("name", "times", "newest value", "last seen", "topic", right=("times", "newest value"))
    for u in rows:
        value = "" if u.last_value is None else f"{u.last_value:g}"
        made.add_row(u.name, str(u.count), value, ago(u.last_seen_us, now_us), u.topic)
    put_table(console(), made)
