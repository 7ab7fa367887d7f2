"""`hissmark export`: what is on record, into one file in an open format."""

from __future__ import annotations

import os
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import From, SiteFolder, To
from hissmark.publish.times import parse_period

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.export.formats import Format
    from hissmark.export.questions import Answer

_EPILOG = """\b
Examples:
  hissmark export north --out north.parquet                      every sample on record
  hissmark export north --out pumps.csv --group Pumps --from 30d
  hissmark export north --out hours.parquet --what hour --from 2024-01-01
  hissmark export north --out grid.arrow --what even --every 10min --how mean --valve XV-203
  hissmark export north --out journal.csv --what journal

The ending of FILE gives the format: .parquet, .csv, .arrow (Arrow stream) or .json.
Samples come as time, name, value. Works beside a running service. The file appears
once it is whole; it replaces one of that name."""

_FIRST_US, _LAST_US = 0, 4_102_444_800_000_000


class _What(StrEnum):
    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"
    EVEN = "even"
    JOURNAL = "journal"
    VERDICTS = "verdicts"


class _How(StrEnum):
    LAST = "last"
    INTERPOLATED = "interpolated"
    MEAN = "mean"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("export", short_help="Write what is on record into a file.", epilog=_EPILOG)(export)


def export(
    site: SiteFolder,
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where it goes; the ending gives the format.")],
    what: Annotated[_What, typer.Option(help="What the rows are.")] = _What.RAW,
    valve: Annotated[
        list[str] | None, typer.Option(metavar="VALVE", help="Only this one; may be given several times.")
    ] = None,
    group: Annotated[list[str] | None, typer.Option(metavar="GROUP", help="The same for groups.")] = None,
    name: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="The same for names of series.")
    ] = None,
    every: Annotated[str, typer.Option(metavar="PERIOD", help="With --what even: the step.")] = "1min",
    how: Annotated[_How, typer.Option(help="With --what even: what stands at each step.")] = _How.LAST,
    from_: From = None,
    to: To = None,
) -> None:
    """Write samples, sums, the alarm journal or verdicts into one file that other programs read."""
    moment(from_), moment(to)  # wrong usage is said before the site is opened
    try:
        every_us = parse_period(every)
    except ValueError as error:
        raise typer.BadParameter(f"{error}.", param_hint="--every") from None
    from hissmark.cli.opened import opened
    from hissmark.export.even import How
    from hissmark.export.formats import encoded
    from hissmark.export.questions import Question, What, answer

    form = _format(out)
    with opened(site) as open_site:
        names = _names(open_site, name or [], valve or [], group or [])
        begin, end = _span(open_site, what, moment(from_, open_site.now_us), moment(to, open_site.now_us))
        asked = Question(What(what.value), names, begin, end, every_us, How(how.value))
        found = answer(open_site.reader, asked)
        counted = _Counted(found)
        _write(out, encoded(counted.batches(), found.schema, form))
    typer.echo(f"{counted.rows:,} rows written to {out}.", err=True)


class _Counted:
    """Counts the rows that pass, and shows it to whoever looks on."""

    def __init__(self, found: Answer) -> None:
        self._found = found
        self.rows = 0

    def batches(self) -> Iterator[object]:
        from hissmark.cli.progress import Bar

        with Bar() as bar:
            for batch in self._found.batches:
                yield batch
                self.rows += batch.num_rows
                bar.show("writing", self.rows, None)


def _format(out: Path) -> Format:
    from hissmark.export.formats import Format

    ending = out.suffix.lower().lstrip(".")
    try:
        return Format(ending)
    except ValueError:
        known = ", ".join(f".{form}" for form in Format)
        raise typer.BadParameter(
            f"{out.name}: the ending must be one of {known}.", param_hint="--out"
        ) from None


def _names(site: Opened, names: list[str], valves: list[str], groups: list[str]) -> list[str]:
    from hissmark.cli.errors import CommandError
    from hissmark.engine.layout import Layout
    from hissmark.export.questions import UnknownSubjectError, chosen_names

    layout = Layout.of(site.site.register, site.site.core)
    try:
        return chosen_names(layout, site.reader, names, valves, groups)
    except UnknownSubjectError as error:
        raise CommandError(f"{error}.") from None


def _span(site: Opened, what: _What, begin: int | None, end: int | None) -> tuple[int, int]:
    """All that there is where nothing is asked."""
    from hissmark.store.archive.catalogue import Kind

    first, last = _FIRST_US, _LAST_US
    if what not in (_What.JOURNAL, _What.VERDICTS):
        kind = Kind(what.value) if what in (_What.MINUTE, _What.HOUR) else Kind.SAMPLES
        if extent := site.reader.extent(kind):
            first, last = extent.first_us, extent.last_us + 1
    return first if begin is None else begin, last if end is None else end


def _write(out: Path, pieces: Iterator[bytes]) -> None:
    """Whole or not at all: a reader never takes half a file for all of it."""
    out.parent.mkdir(parents=True, exist_ok=True)
    draft = out.with_name(out.name + ".part")
    try:
        with draft.open("wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(out)
    finally:
        draft.unlink(missing_ok=True)
