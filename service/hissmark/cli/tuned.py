"""What `hissmark tune` does with settings themselves: publish, take back, show, compare, as TOML."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hissmark.cli.errors import CommandError
from hissmark.cli.moments import moment
from hissmark.cli.opened import Opened, opened
from hissmark.cli.output import console, put_json, put_table, table
from hissmark.cli.recording import put_changes
from hissmark.engine.change import Change, ChangeRefusedError, Level, settings_change
from hissmark.engine.layout import Layout
from hissmark.engine.ranges import unit_of
from hissmark.publish.times import rfc3339
from hissmark.store.outcomes import outcome_of
from hissmark.tune import versions as v
from hissmark.tune.toml import from_toml, to_toml


@dataclass(frozen=True, slots=True)
class Signed:
    """Who changes settings and why, and how long to wait for the service."""

    by: str
    reason: str
    wait_s: float

    def names(self) -> tuple[str, str]:
        """Both as they go on record. Raises CommandError if one is missing."""
        by, reason = self.by.strip(), self.reason.strip()
        if not by or not reason:
            raise CommandError("settings change only with --by and --reason: both go on record.")
        return by, reason


def publish(
    folder: Path, place: Mapping[str, str], values: Mapping[str, float | None], signed: Signed
) -> None:
    """Record a change of settings and wait for the service to take it up."""
    with opened(folder) as site:
        change = settings_change(Level(place["level"]), place["subject"], values, *signed.names())
        _record(site, [change], signed.wait_s)


def roll_back(folder: Path, version: int, signed: Signed) -> None:
    """Record what leads back to a version."""
    with opened(folder) as site:
        _make_so(site, v.values_after(site.reader, _known(site, version)), signed)


def import_(folder: Path, file: Path, signed: Signed) -> None:
    """Record what makes the settings those of a file."""
    try:
        text = file.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as slip:
        raise CommandError(f"{file} cannot be read: {slip}.") from None
    with opened(folder) as site:
        try:
            wanted = from_toml(text)
        except ChangeRefusedError as refused:
            raise CommandError(f"{file}: {refused}.") from None
        _make_so(site, wanted, signed)


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
        at_us = None if at is None else moment(at, site.now_us)
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
    if not found and not as_json:
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


def _known(site: Opened, version: int) -> int:
    if version and version not in {row.id for row in v.settings_rows(site.reader)}:
        raise CommandError(f"there is no version {version}; `hissmark tune SITE history` lists them.")
    return version


def _make_so(site: Opened, wanted: v.Values, signed: Signed) -> None:
    now = v.values_after(site.reader, 2**62)
    changes = v.changes_for(v.steps(now, wanted), *signed.names())
    if not changes:
        console().print("These settings are in force already; there is nothing to change.")
        return
    _record(site, changes, signed.wait_s)


def _record(site: Opened, wanted: Sequence[Change], wait_s: float) -> None:
    """Check, put on record, wait a little for the service."""
    layout = Layout.of(site.site.register, site.site.core)
    try:
        v.check_changes(layout, v.values_after(site.reader, 2**62), wanted)
    except ChangeRefusedError as refused:
        raise CommandError(f"not published: {refused}.") from None
    numbers = put_changes(site, wanted)
    for number in numbers:
        console().print(_answer(site, number, wait_s))


def _answer(site: Opened, number: int, wait_s: float) -> str:
    row = outcome_of(site.reader.change, number, wait_s)
    if row is None:
        return f"Version {number} is on record; the service takes it up when it runs."
    if row.applied_after_us is None:
        raise CommandError(f"version {number} was refused: {row.outcome}")
    return f"Version {number} is in force from the next tick on."
