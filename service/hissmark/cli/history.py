"""`hissmark history`: what one valve's sensor has heard: sample by sample, tick by tick, or summed up."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hissmark.cli import history_periods as periods
from hissmark.cli.moments import moment
from hissmark.cli.options import AsJson, From, SiteFolder, To
from hissmark.publish.times import parse_period

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.store.history import ChannelHistory
    from hissmark.store.whereabouts import Stay

_EPILOG = """\b
Examples:
  hissmark history north XV-203                     the last day, tick by tick
  hissmark history north XV-203 --from 2026-03-01
  hissmark history north XV-203 --every 1h          hour by hour; also 10min, 1d, 1w
  hissmark history north XV-203 --every 1d --csv    day by day, for a spreadsheet
  hissmark history north XV-203 --json              every tick on record
  hissmark history north XV-203 --raw --json        every sample on record

A tick has time, level_db (the floor of the signal, L90), l50_db, l10_db, baseline_db, rise_db, verdict
and reason; a sample has time, channel and value. With --every each period has its ticks, levels, rises and
the share of each verdict; the manual says how each is computed. The name of a channel works too, for
reference points. Long histories are printed as they are read: pipe them into a file, head or less."""

_FIRST_US, _LAST_US = 0, 1 << 62
_DAY_US = 86_400_000_000
_TICKS_AT_ONCE = 5000
_LEVELS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db")
_SHOWN = ("level_db", "baseline_db", "rise_db", "l50_db", "l10_db")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("history", short_help="Show what a valve's sensor has heard over time.", epilog=_EPILOG)(
        history
    )


def history(
    site: SiteFolder,
    valve: Annotated[
        str, typer.Argument(metavar="VALVE", help="Tag of the valve, or a channel.", show_default=False)
    ],
    raw: Annotated[bool, typer.Option("--raw", help="Stored samples instead of ticks.")] = False,
    every: Annotated[
        str | None,
        typer.Option("--every", metavar="PERIOD", help="Sum up by periods: 10min, 1h, 1d, 1w."),
    ] = None,
    as_json: AsJson = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="With --every: comma-separated values, for spreadsheets.")
    ] = False,
    from_: From = None,
    to: To = None,
) -> None:
    """Show what one valve's sensor has heard: level, background, rise and verdict over time."""
    every_us = _period(every)
    _refuse_contradictions(raw, every is not None, as_json, as_csv)
    moment(from_), moment(to)  # wrong usage is said before the site is opened
    from hissmark.cli.opened import opened

    with opened(site) as open_site:
        places, now = _places(open_site, valve), open_site.now_us
        begin, end = moment(from_, now), moment(to, now)
        if begin is None:
            all_of_it = as_json or as_csv or end is not None
            begin = _FIRST_US if all_of_it else _recent(open_site, every_us)
        until = _LAST_US if end is None else end
        if every_us is not None:
            some = _print_periods(open_site, places, begin, until, every_us, as_json, as_csv)
        else:
            some = _print((_raw if raw else _ticks)(open_site, places, begin, until, as_json))
        if not some and not (as_json or as_csv):
            typer.echo(f"{valve}: nothing is on record for this time.", err=True)


def _places(site: Opened, name: str) -> list[Stay]:
    """The sensors of a valve over time, or the places of a channel; also of those that have left."""
    from hissmark.store.open import open_for_reading
    from hissmark.upkeep.following import places_named, places_of
    from hissmark.upkeep.register_book import RegisterBook

    reading = open_for_reading(site.site.store_url, site.site.folder)
    try:
        found = places_named(RegisterBook(site.site.folder, reading), name)
    finally:
        reading.dispose()
    return found or places_of(None, site.channel(name))


def _period(every: str | None) -> int | None:
    """The value of ``--every`` in microseconds; wrong usage if it cannot be read."""
    try:
        return None if every is None else parse_period(every)
    except ValueError as error:
        raise typer.BadParameter(f"{error}.", param_hint="--every") from None


def _refuse_contradictions(raw: bool, every: bool, as_json: bool, as_csv: bool) -> None:
    if raw and every:
        raise typer.BadParameter("--raw shows samples, --every sums up ticks; give one of them.")
    if as_csv and not every:
        raise typer.BadParameter("--csv goes with --every.")
    if as_csv and as_json:
        raise typer.BadParameter("give --json or --csv, not both.")


def _recent(site: Opened, every_us: int | None) -> int:
    """Where people are shown the history from: the last day, or the newest periods."""
    last = site.last_heard_us
    if last is None:
        return _FIRST_US
    return last - _DAY_US if every_us is None else periods.first_shown_us(last, every_us)


def _print_periods(
    site: Opened, places: list[Stay], begin: int, until: int, every_us: int, as_json: bool, as_csv: bool
) -> bool:
    parts = _tick_pages(site, places, begin, until)
    if not (as_json or as_csv):
        return periods.print_tables(parts, every_us)
    return _print((periods.csv_lines if as_csv else periods.json_lines)(parts, every_us))


def _print(chunks: Iterator[str]) -> bool:
    """Write each chunk as it comes; whether there was any."""
    some = False
    for chunk in chunks:
        sys.stdout.write(chunk)
        some = True
    return some


# Samples.


def _raw(site: Opened, places: list[Stay], begin: int, until: int, as_json: bool) -> Iterator[str]:
    """Pages of stored samples of the sensors and of the percentiles they report themselves."""
    from hissmark.engine.register import PERCENTILE_SUFFIXES

    for stay in places:
        span = stay.heard_within(begin, until)
        if span is None:
            continue
        names = [stay.channel.source + suffix for suffix in ("", *PERCENTILE_SUFFIXES)]
        labels = [stay.channel.name + suffix for suffix in ("", *PERCENTILE_SUFFIXES)]
        line = _sample_json(labels) if as_json else _sample_text(labels)
        for batch in site.reader.raw(names, *span):
            columns = zip(times_text(batch.time_us), batch.series.tolist(), batch.value.tolist(), strict=True)
            yield "".join([line(*row) for row in columns])


def _sample_json(labels: list[str]) -> Any:
    import json

    quoted = [json.dumps(label, ensure_ascii=False) for label in labels]

    def line(time: str, series: int, value: float) -> str:
        return f'{{"time":"{time}","channel":{quoted[series]},"value":{value!r}}}\n'

    return line


def _sample_text(labels: list[str]) -> Any:
    def line(time: str, series: int, value: float) -> str:
        return f"{time:27}  {labels[series]}  {value:.2f} dB\n"

    return line


def times_text(time_us: Any) -> list[str]:
    """RFC 3339 in UTC for int64[n] microseconds; a fraction only where there is one, trimmed."""
    import numpy as np

    texts: list[str] = np.datetime_as_string(time_us.astype("datetime64[us]"), unit="us").tolist()
    return [(text.rstrip("0").rstrip(".") if text.endswith("0") else text) + "Z" for text in texts]


# Ticks.


def _ticks(site: Opened, places: list[Stay], begin: int, until: int, as_json: bool) -> Iterator[str]:
    if not as_json:
        yield from _with_head(_tick_pages(site, places, begin, until))
        return
    for page in _tick_pages(site, places, begin, until):
        yield "".join([_tick_json(row) for row in tick_rows(page)])


def _tick_pages(site: Opened, places: list[Stay], begin: int, until: int) -> Iterator[ChannelHistory]:
    """The ticks in portions, from sensor to sensor; says on stderr what could not be read."""
    from hissmark.upkeep.following import history_parts

    parts = history_parts(site.reader, places, begin, until, most_ticks=_TICKS_AT_ONCE)
    for part in parts:
        for sentence in part.damaged:
            typer.echo(f"warning: {sentence}", err=True)
        if len(part):
            yield part


def tick_rows(page: ChannelHistory) -> Iterator[dict[str, Any]]:
    """One object a tick; None where there is no value."""
    from hissmark.judge.verdicts import Reason, Verdict

    verdicts = {int(v): v.text for v in Verdict}
    reasons = {int(r): r.text for r in Reason}
    columns = [getattr(page, name).tolist() for name in _LEVELS]
    for time, verdict, reason, *levels in zip(
        times_text(page.time_us), page.verdict.tolist(), page.reason.tolist(), *columns, strict=True
    ):
        yield {
            "time": time,
            **{name: _number(value) for name, value in zip(_LEVELS, levels, strict=True)},
            "verdict": verdicts.get(verdict),
            "reason": reasons.get(reason),
        }


def _number(value: float) -> float | None:
    """A hundredth of a decibel; None for NaN."""
    return round(value, 2) if math.isfinite(value) else None


def _tick_json(row: dict[str, Any]) -> str:
    import json

    return json.dumps(row, separators=(",", ":")) + "\n"


def _with_head(pages: Iterator[ChannelHistory]) -> Iterator[str]:
    names = f"{'level':>8}  {'background':>10}  {'rise':>8}  {'L50':>8}  {'L10':>8}"
    head = f"{'time':20}  {names}  verdict, and why\n"
    for page in pages:
        yield head + "".join([_tick_text(row) for row in tick_rows(page)])
        head = ""


def _tick_text(row: dict[str, Any]) -> str:
    level, background, rise, l50, l10 = (_db(row[name]) for name in _SHOWN)
    said = ", ".join(text for text in (row["verdict"], row["reason"]) if text)
    return f"{row['time']:20}  {level:>8}  {background:>10}  {rise:>8}  {l50:>8}  {l10:>8}  {said}\n"


def _db(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} dB"
