"""What `hissmark tune` does: asks, waits, prints."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hissmark.cli.errors import CommandError
from hissmark.cli.moments import moment
from hissmark.cli.opened import Opened, opened
from hissmark.cli.output import console, put_json, put_table, table
from hissmark.engine.layout import Layout
from hissmark.engine.ranges import unit_of
from hissmark.publish.times import rfc3339
from hissmark.publish.words import counted
from hissmark.store.open import open_for_reading
from hissmark.store.repairs import RepairBook
from hissmark.tune.busiest import busiest_of
from hissmark.tune.request import TuneError, spaced
from hissmark.tune.shapes import busy_shape
from hissmark.tune.shares import carry_out


def values_of(changed: Sequence[str], may_be_empty: bool = False) -> dict[str, float | None]:
    """``NAME=VALUE`` texts as values. Raises CommandError that says which cannot be read."""
    found: dict[str, float | None] = {}
    for text in changed:
        name, sign, value = text.partition("=")
        if not sign:
            raise CommandError(f"{text!r} must be written NAME=VALUE, for instance rise_limit_db=8.")
        found[name.strip()] = None if may_be_empty and not value.strip() else _number(value, text)
    return found


def axis_of(text: str) -> dict[str, Any]:
    """``NAME=LOW:HIGH:COUNT`` or ``NAME=V,V,V`` as an axis."""
    name, sign, values = text.partition("=")
    if not sign:
        raise CommandError(f"{text!r} must be written NAME=LOW:HIGH:COUNT or NAME=V,V,V.")
    if ":" not in values:
        return {"setting": name.strip(), "values": [_number(value, text) for value in values.split(",")]}
    parts = values.split(":")
    if len(parts) != 3 or not parts[2].isdigit() or not 2 <= int(parts[2]) <= 200:
        raise CommandError(f"{text!r} must be written NAME=LOW:HIGH:COUNT with a count from 2 to 200.")
    low, high = _number(parts[0], text), _number(parts[1], text)
    return {"setting": name.strip(), "values": list(spaced(low, high, int(parts[2])))}


def _number(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise CommandError(f"{text.strip()!r} in {where!r} is not a number.") from None


def place_of(group: str | None, valve: str | None) -> dict[str, str]:
    """Level and subject of a setting. Raises CommandError if both are given."""
    if group and valve:
        raise CommandError("a setting is that of a group or of a valve, not of both.")
    if valve:
        return {"level": "valve", "subject": valve}
    return {"level": "group", "subject": group} if group else {"level": "site", "subject": ""}


def run(
    folder: Path, kind: str, since: str, until: str | None, valves: Sequence[str], before_days: float,
    workers: int | None, as_json: bool, more: dict[str, Any],
) -> None:  # fmt: skip
    """Try, sweep or suggest, with a progress bar on a terminal."""
    with opened(folder) as site:
        request = {
            "kind": kind, "from": rfc3339(_moment_us(since, site)),
            "to": rfc3339(_until_us(site, until)), "valves": list(valves), "before_days": before_days, **more,
        }  # fmt: skip
        try:
            result = _with_progress(site, request, workers)
        except TuneError as error:
            raise CommandError(str(error)) from None
    if as_json:
        put_json(result)
    elif kind == "try":
        _print_tried(result)
    else:
        _print_swept(result)


def busiest(folder: Path, since: str, until: str | None, limit: int, as_json: bool) -> None:
    """Print the valves with the most alarms."""
    with opened(folder) as site:
        reading = open_for_reading(site.site.store_url, site.site.folder)
        try:
            layout = Layout.of(site.site.register, site.site.core)
            book, from_us = RepairBook(reading, reading), _moment_us(since, site)
            rows = busiest_of(layout, site.reader, book, from_us, _until_us(site, until), limit)
        finally:
            reading.dispose()
    if as_json:
        for row in rows:
            put_json(busy_shape(row))
        return
    if not rows:
        console().print("No valve has had an alarm in this period.")
    for row in rows:
        alarms = counted(row.alarms, "alarm")
        console().print(f"{row.valve} ({row.group}): {alarms}, the last {rfc3339(row.moments_us[0])}.")
        for said in row.says:
            console().print(f"    {said}")


def _moment_us(text: str, site: Opened) -> int:
    return moment(text, site.now_us) or 0


def _until_us(site: Opened, until: str | None) -> int:
    if until is not None:
        return _moment_us(until, site)
    extent = site.reader.sample_extent()
    if extent is None:
        raise CommandError("there are no samples in the store yet: nothing to replay.")
    return int(extent.last_us)


def _with_progress(site: Opened, request: dict[str, Any], workers: int | None) -> dict[str, Any]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("replaying"),
        BarColumn(),
        TextColumn("{task.percentage:.0f} %"),
        TimeRemainingColumn(),
    )
    screen = Console(stderr=True)
    with Progress(*columns, console=screen, transient=True, disable=not screen.is_terminal) as bar:
        task = bar.add_task("replaying", total=1.0)
        return carry_out(site.site, request, lambda share: bar.update(task, completed=share), workers)


def _print_tried(result: dict[str, Any]) -> None:
    out = console()
    out.print(result["basis"]["sentence"])
    rows = table("difference", "valve", "alarm", "happened", "would have", "rise", right=("rise",))
    for d in result["differences"]:
        happened, would = d["happened"], d["would"]
        rise = (would or happened)["rise_db"]
        rows.add_row(
            d["difference"] + ("" if d["by_change"] else " (not by the change)"), d["valve"], d["alarm"],
            happened["raised"] if happened else "-", would["raised"] if would else "-",
            "" if rise is None else f"{rise:.1f} dB",
        )  # fmt: skip
    if result["differences"]:
        put_table(out, rows)
    c = result["counts"]
    out.print(
        f"{counted(c['gained'], 'alarm')} gained, {c['lost']} lost, {c['earlier']} earlier, "
        f"{c['later']} later, {c['lasted otherwise']} lasted otherwise, {c['same']} the same."
    )
    for words, score in (("As it happened", result["score_happened"]), ("As tried", result["score_would"])):
        out.print(f"{words}: {_score_words(score)}")
    out.print(_took(result))


def _score_words(score: dict[str, Any]) -> str:
    recall, precision = score["recall"], score["precision"]
    if not recall["cases"] and not precision["cases"]:
        alarms = counted(score["unknown"], "alarm")
        return f"{alarms} where nobody looked; no finding or repair to hold them against."
    words = [f"{score['found']} of {recall['cases']} known leaks found{_interval(recall)}"]
    words.append(
        f"{score['false']} of {precision['cases']} judged alarms false (right{_interval(precision)})"
    )
    return "; ".join(words) + f"; {score['unknown']} where nobody looked."


def _interval(p: dict[str, Any]) -> str:
    return (
        ""
        if p["value"] is None
        else f" {100 * p['value']:.0f} % ({100 * p['low']:.0f} to {100 * p['high']:.0f})"
    )


def _print_swept(result: dict[str, Any]) -> None:
    out = console()
    out.print(result["basis"]["sentence"])
    names = [axis["setting"] for axis in result["axes"]]
    heads = (*names, "alarms", "in a valve and year", "found", "missed", "false", "nobody looked")
    rows = table(*heads, right=heads)
    for point in [result["here"], *result["points"]]:
        score = point["score"]
        mark = " *" if point is result["here"] else ""
        rows.add_row(
            *(f"{point['values'].get(name, float('nan')):g}{unit_of(name)}{mark}" for name in names),
            str(point["alarms"]["passing"]), f"{point['a_year']:.3g}",
            *(str(score[name]) for name in ("found", "missed", "false", "unknown")),
        )  # fmt: skip
    put_table(out, rows)
    out.print("* as in force at the end of the period.")
    if "budget" in result:
        _print_suggestion(result)
    out.print(_took(result))


def _print_suggestion(result: dict[str, Any]) -> None:
    for said in result["says"]:
        console().print(said)
    if result["suggestion"] is not None:
        place = result["request"]
        at = "" if place["level"] == "site" else f" --{place['level']} {place['subject']}"
        sets = "".join(f" --set {name}={value:g}" for name, value in result["suggestion"]["values"].items())
        console().print(f"To put them live: hissmark tune SITE publish{at}{sets} --by NAME --reason TEXT")


def _took(result: dict[str, Any]) -> str:
    valves = counted(result["valves"], "valve")
    return f"{result['samples']:,} samples of {valves} replayed in {result['took_s']} s."
