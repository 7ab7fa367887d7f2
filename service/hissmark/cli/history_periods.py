"""`hissmark history --every`: a valve's history summed up by periods, as table, JSON lines or CSV."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from hissmark.publish.times import parse_rfc3339, period_start_us, rfc3339

if TYPE_CHECKING:
    import pandas as pd

    from hissmark.store.history import ChannelHistory

SHOWN_PERIODS = 24
"""How many of the newest periods people are shown unless they say from when."""

_ROWS_A_TABLE = 500
_SHOWN = {
    "mean": "mean_db",
    "L90": "l90_db",
    "L50": "l50_db",
    "L10": "l10_db",
    "min": "min_db",
    "max": "max_db",
    "rise": "rise_mean_db",
    "max rise": "rise_max_db",
}
_EXPLAINED = """\
Levels and rises in dB. mean (of the energy), min, max: of the ticks' levels, which are floors (L90).
L90, L50, L10: exceeded by 90 % of the ticks' floors, half of their middles, 10 % of their tops.
rise: arithmetic mean. Shares are of the ticks; a period without any is left out.
An aid for finding leaks, not proof of isolation."""


def first_shown_us(last_us: int, every_us: int) -> int:
    """Where the newest `SHOWN_PERIODS` periods up to a moment begin."""
    return period_start_us(last_us, every_us) - (SHOWN_PERIODS - 1) * every_us


def json_lines(parts: Iterable[ChannelHistory], every_us: int) -> Iterator[str]:
    """One object a period."""
    import json

    from hissmark.publish.summary import rows_of

    for ready in _ready(parts, every_us):
        yield "".join([json.dumps(row, separators=(",", ":")) + "\n" for row in rows_of(ready)])


def csv_lines(parts: Iterable[ChannelHistory], every_us: int) -> Iterator[str]:
    """One line a period, behind the names of the columns."""
    from hissmark.publish.summary import csv_of

    head = True
    for ready in _ready(parts, every_us):
        yield csv_of(ready, head=head)
        head = False


def print_tables(parts: Iterable[ChannelHistory], every_us: int) -> bool:
    """Print tables of some hundred periods each; whether there was anything to print."""
    from hissmark.cli.output import console, put_table
    from hissmark.publish.summary import rows_of

    out, waiting, some = console(), [], False
    for ready in _ready(parts, every_us):
        some = True
        waiting += rows_of(ready)
        if len(waiting) >= _ROWS_A_TABLE:
            put_table(out, _table(waiting))
            waiting = []
    if waiting:
        put_table(out, _table(waiting))
    if some:
        out.print()
        out.print(_EXPLAINED, style="dim")
    return some


def _ready(parts: Iterable[ChannelHistory], every_us: int) -> Iterator[pd.DataFrame]:
    from hissmark.publish.summary import by_period, to_go_out

    for summary in by_period(parts, every_us):
        yield to_go_out(summary, every_us)


def _table(rows: list[dict[str, Any]]) -> Any:
    from hissmark.cli.output import table

    numbers = ("ticks", *_SHOWN)
    made = table("from", *numbers, "verdicts", right=numbers)
    for row in rows:
        values = [_number(row[name]) for name in _SHOWN.values()]
        made.add_row(_minute(row["start"]), str(row["ticks"]), *values, _verdicts(row))
    return made


def _minute(start: str) -> str:
    """Periods are whole minutes long for almost everyone; seconds are shown where they are not."""
    return start[:16] + "Z" if start.endswith(":00Z") else rfc3339(parse_rfc3339(start))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{round(value, 1) + 0.0:.1f}"  # + 0.0: no minus before a zero


def _verdicts(row: dict[str, Any]) -> str:
    """``passing 60 %, quiet 40 %``, the most frequent first."""
    from hissmark.publish.summary import SHARES

    shares = [(row[name], verdict.text) for verdict, name in SHARES.items() if row[name]]
    shares.sort(key=lambda pair: -pair[0])
    return ", ".join(text if share == 1 else f"{text} {_percent(share)}" for share, text in shares)


def _percent(share: float) -> str:
    return "< 1 %" if share < 0.01 else "> 99 %" if share > 0.99 else f"{share:.0%}".replace("%", " %")
