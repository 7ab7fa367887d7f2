"""`hissmark replay`: the same judgement over recorded files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import From, SiteFolder, To
from hissmark.cli.progress import Bar

if TYPE_CHECKING:
    from hissmark.replay.replay import ReplaySummary

_EPILOG = """\b
Examples:
  hissmark replay north --levels levels.csv --out journal.jsonl
  hissmark replay north --levels may.parquet --levels june.parquet \\
                        --process process.csv --out journal.jsonl
  hissmark replay north --levels levels.csv --out try.jsonl --from 2026-03-01 --to 2026-04-01

Files are CSV or Parquet in long form with the columns time (RFC 3339, or ns since 1970), name, value.
Rows may come in any order. Change site.toml and replay again to see what another limit would have meant.
Neither broker nor database is needed, and nothing of the site is changed."""

_EXAMPLES = 5


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("replay", short_help="Judge recorded files as the service would have.", epilog=_EPILOG)(
        replay
    )


def replay(
    site: SiteFolder,
    levels: Annotated[
        list[Path], typer.Option(metavar="FILE", help="Levels of the channels; may be given several times.")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where the alarm journal goes, as JSON lines.")],
    process: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Process values; may be given several times.")
    ] = None,
    from_: From = None,
    to: To = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes to use; by default as many as the work is worth.")
    ] = None,
) -> None:
    """Judge recorded levels exactly as the service would have, and write the alarm journal."""
    begin, end = moment(from_), moment(to)
    from hissmark.replay.replay import replay_files
    from hissmark.site import load_site

    loaded = load_site(site)
    _spare_the_recorded(out, [*levels, *(process or []), site / "site.toml", site / "register.csv"])
    with Bar() as bar:
        summary = replay_files(loaded, levels, process or [], out, begin, end, bar.show, workers)
    _say(summary, out)


def _spare_the_recorded(out: Path, read: list[Path]) -> None:
    """Refuse to write the journal over a file that is read: recorded levels exist once."""
    from hissmark.cli.errors import CommandError

    for path in read:
        if out.exists() and path.exists() and out.samefile(path):
            raise CommandError(f"--out {out} is {path}, which is read: it would be lost. Name another file.")


def _say(summary: ReplaySummary, out: Path) -> None:
    """The account of what was replayed and what was left out, on stderr."""
    for line in (
        f"{len(summary.entries)} journal entries written to {out}.",
        *_extent(summary),
        *_left_out(summary),
    ):
        typer.echo(line, err=True)


def _extent(summary: ReplaySummary) -> Iterator[str]:
    from hissmark.publish.times import rfc3339

    if summary.first_us is None or summary.last_us is None:
        yield "No sample of this site was found in the files."
        return
    yield (
        f"{summary.samples:,} samples from {rfc3339(summary.first_us)} to {rfc3339(summary.last_us)}, "
        f"{summary.ticks:,} ticks, in {summary.seconds:.1f} s ({summary.samples_per_s:,.0f} rows/s)."
    )


def _left_out(summary: ReplaySummary) -> Iterator[str]:
    tally = summary.tally
    if summary.late:
        yield f"Too late to be judged: {summary.late:,} samples."
    if tally.bad:
        reasons = ", ".join(f"{rows:,} {reason}" for reason, rows in tally.reasons.most_common() if rows)
        yield f"Left out as unusable: {reasons}; for instance"
        yield from (f"  {row}" for row in tally.bad_rows[:_EXAMPLES])
    if tally.unknown:
        names = [f"{name} ({rows:,}x)" for name, rows in tally.unknown.most_common(_EXAMPLES)]
        more = f" and {len(tally.unknown) - len(names)} more" if len(tally.unknown) > len(names) else ""
        yield f"Not in register.csv: {', '.join(names)}{more}."
