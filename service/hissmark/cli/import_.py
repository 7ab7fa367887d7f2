"""`hissmark import`: recorded samples into a site, as if they had come in time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from hissmark.cli.moments import moment
from hissmark.cli.options import From, SiteFolder, To

if TYPE_CHECKING:
    from hissmark.cli.progress import Bar
    from hissmark.imports.run import Imported
    from hissmark.imports.units import Calibration
    from hissmark.site.load import Site

_EPILOG = """\b
Examples:
  hissmark import north may.parquet june.csv
  hissmark import north radio-7.csv --dry-run
  hissmark import north logger.csv --unit mV --reference-uv 1 --gain-db 40

Files are CSV (also .gz, .bz2, .zst) or Parquet: long (time, name, value) or wide (time, and a column for each
name). Times are RFC 3339, or ns since 1970. Names are those under which levels and process values arrive.
The groups concerned are judged again from the first new sample on, with all their samples: history, sums,
backgrounds and verdicts become what they would have been. Alarms found that way are in the journal as
origin back-fill; nobody is called out for them. A running service does that within minutes; a site whose
service is stopped is judged at once. The same files again change nothing; cut short, run it again."""

_EXAMPLES = 5
_Unit = Literal["dB", "V", "mV"]


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("import", short_help="Take in recorded samples.", epilog=_EPILOG)(import_)


def import_(
    site: SiteFolder,
    files: Annotated[list[Path], typer.Argument(metavar="FILES", help="CSV or Parquet.", show_default=False)],
    unit: Annotated[_Unit, typer.Option(help="In what the levels are given.")] = "dB",
    reference_uv: Annotated[
        float | None,
        typer.Option(metavar="UV", help="With V or mV: microvolts at the sensor that are 0 dB."),
    ] = None,
    gain_db: Annotated[
        float, typer.Option(metavar="DB", help="With V or mV: amplification behind the sensor.")
    ] = 0.0,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Read and tell, store nothing.")] = False,
    from_: From = None,
    to: To = None,
) -> None:
    """Take in recorded samples, and judge the groups they belong to as if they had come in time."""
    begin, end = moment(from_), moment(to)
    calibration = _calibration(unit, reference_uv, gain_db)
    from hissmark.cli.progress import Bar
    from hissmark.site import load_site

    loaded = load_site(site)
    with Bar() as bar:
        done = _imported(loaded, files, calibration, begin, end, dry_run, bar)
        judged = 0 if dry_run else _judged(loaded, bar)
    for line in (*_told(done, dry_run), *_outlook(done, dry_run, judged)):
        typer.echo(line, err=True)


def _calibration(unit: _Unit, reference_uv: float | None, gain_db: float) -> Calibration:
    from hissmark.imports.units import Calibration, Unit

    if unit == "dB":
        if reference_uv is not None or gain_db:
            raise typer.BadParameter("--reference-uv and --gain-db go with --unit V or mV.")
        return Calibration()
    if reference_uv is None or reference_uv <= 0:
        raise typer.BadParameter(
            f"levels in {unit} need --reference-uv: the microvolts at the sensor that are 0 dB "
            "(1 in acoustic emission), and --gain-db if they were amplified."
        )
    return Calibration(Unit(unit), reference_uv, gain_db)


def _imported(
    site: Site,
    files: list[Path],
    calibration: Calibration,
    begin: int | None,
    end: int | None,
    dry: bool,
    bar: Bar,
) -> Imported:
    from hissmark.cli.moments import now_us
    from hissmark.daemon.filling import marks_for
    from hissmark.daemon.takeover import kinds_of
    from hissmark.engine.layout import Layout
    from hissmark.imports.run import Import, Target, Wanted
    from hissmark.replay.convert import MAX_TIME_US, MIN_TIME_US
    from hissmark.store.open import open_store

    layout = Layout.of(site.register, site.core)
    store = open_store(site.store_url, site.folder)
    feed = site.settings.store.feed_days > 0
    recent = site.settings.store.recent_days
    target = Target(store, site.archive, layout, kinds_of(layout), recent, feed, marks_for)
    wanted = Wanted(MIN_TIME_US if begin is None else begin, MAX_TIME_US if end is None else end, calibration)
    try:
        return Import(target, now_us(), bar.show).run(files, wanted, dry=dry)
    finally:
        store.dispose()


def _judged(site: Site, bar: Bar) -> int | None:
    """Judge what is marked, if no service runs; None if one does, which does it itself."""
    from hissmark.cli.moments import now_us
    from hissmark.daemon.offline import Offline
    from hissmark.store.errors import StoreError

    try:
        offline = Offline(site, now_us())
    except StoreError as error:
        if "another `hissmark run`" in str(error):
            return None
        raise
    with offline:
        return offline.fill(lambda group, ticks, left: bar.show(f"judging {group}", ticks, None))


def _told(done: Imported, dry: bool) -> Iterator[str]:
    from hissmark.publish.times import rfc3339

    tally = done.tally
    if done.first_us is None or done.last_us is None:
        yield "No sample of this site was found in the files."
    else:
        span = f"{tally.good:,} samples from {rfc3339(done.first_us)} to {rfc3339(done.last_us)}"
        yield f"{span} read." if dry else f"{span}: {done.new:,} are new, the rest was on record."
    if tally.bad:
        reasons = ", ".join(f"{rows:,} {reason}" for reason, rows in tally.reasons.most_common() if rows)
        yield f"Left out as unusable: {reasons}; for instance"
        yield from (f"  {row}" for row in tally.bad_rows[:_EXAMPLES])
    if done.unusable:
        yield f"Left out: {done.unusable:,} voltages that are not above zero."
    if tally.unknown:
        names = [f"{name} ({rows:,}x)" for name, rows in tally.unknown.most_common(_EXAMPLES)]
        more = f" and {len(tally.unknown) - len(names)} more" if len(tally.unknown) > len(names) else ""
        yield f"Not in register.csv: {', '.join(names)}{more}."


def _outlook(done: Imported, dry: bool, judged: int | None) -> Iterator[str]:
    from hissmark.publish.times import rfc3339

    groups = [f"{group} from {rfc3339(start)} on" for group, start in sorted(done.from_us.items())]
    if dry:
        if groups:
            yield f"Would be judged again where samples are new: {'; '.join(groups)}. Nothing was stored."
    elif judged is None and groups:
        yield f"The running service judges again, within minutes: {'; '.join(groups)}."
    elif judged:
        yield f"Judged again: {'; '.join(groups) or f'{judged} groups that waited'}."
