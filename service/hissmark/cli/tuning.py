"""What `hissmark tune` does: asks, waits, prints."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hissmark.cli.errors import CommandError
from hissmark.cli.moments import moment
from hissmark.cli.opened import Opened, opened
from hissmark.cli.output import console, counted, put_json, put_table, table
from hissmark.engine.change import Change, ChangeRefusedError, Level, settings_change
from hissmark.engine.layout import Layout
from hissmark.engine.ranges import unit_of
from hissmark.publish.times import rfc3339
from hissmark.store.changes import record_change
from hissmark.store.open import open_for_actions
from hissmark.tune import versions as v
from hissmark.tune.request import TuneError, spaced
from hissmark.tune.shares import carry_out
from hissmark.tune.toml import from_toml, to_toml

_WAIT_S = 5.0
_POLL_S = 0.1


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
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
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
        out.print(_suggestion_words(result))
    out.print(_took(result))


def _suggestion_words(result: dict[str, Any]) -> str:
    chosen = result["suggestion"]
    if chosen is None:
        return f"None of these keeps to {result['budget']:g} false alarms in a valve and year."
    values = ", ".join(f"{name}={value:g}" for name, value in chosen["values"].items())
    return (
        f"Suggested for {result['budget']:g} false alarms in a valve and year: {values} "
        f"({chosen['a_year']:.3g} alarms in a valve and year). Publish it with `hissmark tune SITE publish`."
    )


def _took(result: dict[str, Any]) -> str:
    valves = counted(result["valves"], "valve")
    return f"{result['samples']:,} samples of {valves} replayed in {result['took_s']} s."


def publish(
    folder: Path, level: str, subject: str, values: dict[str, float | None], by: str, reason: str
) -> None:
    """Record a change of settings and wait for the service to take it up."""
    _need(by, reason)
    with opened(folder) as site:
        _record(site, [settings_change(Level(level), subject, values, by.strip(), reason.strip())])


def roll_back(folder: Path, version: int, by: str, reason: str) -> None:
    """Record what leads back to a version."""
    _need(by, reason)
    with opened(folder) as site:
        _make_so(site, v.values_after(site.reader, _known(site, version)), by, reason)


def import_(folder: Path, file: Path, by: str, reason: str) -> None:
    """Record what makes the settings those of a file."""
    _need(by, reason)
    try:
        text = file.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as slip:
        raise CommandError(f"{file} cannot be read: {slip}.") from None
    with opened(folder) as site:
        try:
            wanted = from_toml(text)
        except ChangeRefusedError as refused:
            raise CommandError(f"{file}: {refused}.") from None
        _make_so(site, wanted, by, reason)


def export(folder: Path) -> None:
    """Print the tuned settings."""
    with opened(folder) as site:
        text = to_toml(v.values_after(site.reader, 2**62), site.site.name, rfc3339(site.now_us))
        console().file.write(text)


def show(folder: Path, valve: str, at: str | None, as_json: bool) -> None:
    """Print what is in force for a valve."""
    with opened(folder) as site:
        layout = Layout.of(site.site.register, site.site.core)
        channel = layout.channels.index(site.channel(valve))
        at_us = None if at is None else _moment_us(at, site)
        rows = v.in_force(layout, site.reader, channel, at_us)
    if as_json:
        for row in rows:
            put_json(dataclasses.asdict(row))
        return
    shown = table("setting", "value", "from", "version", right=("value",))
    for row in rows:
        place = f"{row.level} {row.subject}".rstrip() if row.version else "site.toml or default"
        shown.add_row(row.setting, f"{row.value:g}{unit_of(row.setting)}", place, str(row.version or ""))
    put_table(console(), shown)


def history(folder: Path, as_json: bool) -> None:
    """Print every version."""
    with opened(folder) as site:
        found = v.versions(site.reader)
    if not found:
        console().print("No setting has been published; the values of site.toml are in force.")
    shown = table("version", "when", "who", "what", "reason")
    for version in found:
        row = version.row
        if as_json:
            put_json(
                {
                    "version": row.id, "at": rfc3339(row.requested_us), "author": row.change.operator,
                    "reason": row.change.reason,
                    "steps": [dataclasses.asdict(step) for step in version.steps],
                }
            )  # fmt: skip
        what = "; ".join(map(_step_words, version.steps))
        shown.add_row(str(row.id), rfc3339(row.requested_us), row.change.operator, what, row.change.reason)
    if found and not as_json:
        put_table(console(), shown)


def diff(folder: Path, start: int, end: int, as_json: bool) -> None:
    """Print what differs between two versions."""
    with opened(folder) as site:
        before, after = (v.values_after(site.reader, _known(site, number)) for number in (start, end))
    steps = list(v.steps(before, after))
    for step in steps:
        if as_json:
            put_json(dataclasses.asdict(step))
        else:
            console().print(_step_words(step))
    if not steps and not as_json:
        console().print(f"Versions {start} and {end} do not differ.")


def _step_words(step: v.Step) -> str:
    unit, place = unit_of(step.setting), f"{step.level} {step.subject}".rstrip()
    before = "not set" if step.before is None else f"{step.before:g}{unit}"
    after = "taken back" if step.after is None else f"{step.after:g}{unit}"
    return f"{place}: {step.setting} {before} -> {after}"


def _need(by: str, reason: str) -> None:
    if not by.strip() or not reason.strip():
        raise CommandError("settings change only with --by and --reason: both go on record.")


def _known(site: Opened, version: int) -> int:
    if version and version not in {row.id for row in v.settings_rows(site.reader)}:
        raise CommandError(f"there is no version {version}; `hissmark tune SITE history` lists them.")
    return version


def _make_so(site: Opened, wanted: v.Values, by: str, reason: str) -> None:
    now = v.values_after(site.reader, 2**62)
    changes = v.changes_for(v.steps(now, wanted), by.strip(), reason.strip())
    if not changes:
        console().print("These settings are in force already; there is nothing to change.")
        return
    _record(site, changes)


def _record(site: Opened, wanted: Sequence[Change]) -> None:
    """Check, put on record, wait a little for the service."""
    layout = Layout.of(site.site.register, site.site.core)
    try:
        v.check_changes(layout, v.values_after(site.reader, 2**62), wanted)
    except ChangeRefusedError as refused:
        raise CommandError(f"not published: {refused}.") from None
    engine = open_for_actions(site.site.store_url, site.site.folder)
    try:
        numbers = [record_change(engine, change, site.now_us) for change in wanted]
    finally:
        engine.dispose()
    for number in numbers:
        console().print(_answer(site, number))


def _answer(site: Opened, number: int) -> str:
    deadline = time.monotonic() + _WAIT_S
    while time.monotonic() < deadline:
        row = site.reader.change(number)
        if row is not None and row.outcome is not None:
            if row.applied_after_us is None:
                raise CommandError(f"version {number} was refused: {row.outcome}")
            return f"Version {number} is in force from the next tick on."
        time.sleep(_POLL_S)
    return f"Version {number} is on record; the service takes it up when it runs."
