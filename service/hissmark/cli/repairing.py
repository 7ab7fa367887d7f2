"""What `hissmark repair` does: records from the command line, and what is on record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from hissmark.appraise.appraiser import Appraiser
from hissmark.cli.errors import CommandError
from hissmark.cli.moments import FORMS, parse_moment
from hissmark.cli.opened import Opened, opened
from hissmark.cli.output import console, put_json, put_table, table
from hissmark.cli.standing import standing
from hissmark.engine.layout import Layout
from hissmark.publish.alarm_shapes import alarm_shape
from hissmark.publish.shapes import GroupReading
from hissmark.repairs.build import desk_of
from hissmark.repairs.desk import Desk, RecordError
from hissmark.repairs.listing import Sources, repair_list
from hissmark.repairs.ranking import Deed
from hissmark.repairs.shapes import RepairShape
from hissmark.store.open import open_for_actions, open_for_reading
from hissmark.store.repair_records import Cost, Finding, Found, Repair, Work


@dataclass(frozen=True, slots=True)
class Given:
    """What was given on the command line."""

    valve: str
    by: str
    found: str | None
    work: str | None
    source: str | None
    at: str | None
    note: str
    cost: str | None
    currency: str
    corrects: int | None


@contextmanager
def desk(folder: Path, *, writing: bool = False) -> Iterator[tuple[Opened, Desk]]:
    """The site and its desk."""
    with opened(folder) as site:
        url, place = site.site.store_url, site.site.folder
        reading = open_for_reading(url, place)
        engine = open_for_actions(url, place) if writing else reading
        try:
            register, settings = site.site.register, site.site.settings
            yield site, desk_of(
                lambda: register, site.site.core, settings.repair, writing=engine, reading=reading,
                archive=site.site.archive,
                readings=lambda: [msgspec.json.decode(r.payload) for r in site.reader.readings()],
                now_us=lambda: site.now_us,
            )  # fmt: skip
        finally:
            reading.dispose()
            engine.dispose()


def put_on_record(folder: Path, given: Given) -> Iterator[str]:
    """Record what was found and done; a sentence for each. Raises CommandError."""
    found = None if given.found is None else _word(Found, given.found, "found")
    work = None if given.work is None else _word(Work, given.work, "work")
    with desk(folder, writing=True) as (site, book):
        valve = site.channel(given.valve).subject
        at_us = _at_us(given.at, site.now_us)
        cost = _cost(given)
        try:
            if found is not None:
                paid = cost if work is None else None
                finding = Finding(valve, at_us, found, given.by, given.note, given.source, paid)
                number = book.record_finding(finding, given.corrects)
                yield f"Finding {number} is on record: {valve} {found.value.replace('-', ' ')}."
            if work is not None:
                done = Repair(valve, at_us, work, given.by, given.note, cost)
                number = book.record_repair(done, given.corrects)
                yield f"Repair {number} is on record: {valve} {work.value.replace('-', ' ')}."
        except RecordError as error:
            raise CommandError(str(error)) from None


def take_back(folder: Path, kind: str, number: int, by: str, note: str) -> str:
    """Take a record back; returns a sentence. Raises CommandError."""
    with desk(folder, writing=True) as (_, book):
        try:
            book.withdraw(kind, number, by, note)
        except RecordError as error:
            raise CommandError(str(error)) from None
    return f"{kind.capitalize()} {number} is taken back; it stays on record and counts for nothing."


def show_list(folder: Path, valve: str | None, everything: bool, as_json: bool) -> None:
    """Print what is on record."""
    with desk(folder) as (site, book):
        tag = None if valve is None else site.channel(valve).subject
        looked = book.looked()
    findings, repairs = (
        [r for r in reversed(rows) if (everything or r["stands"]) and tag in (None, r["valve"])]
        for rows in (looked.findings, looked.repairs)
    )
    if as_json:
        for kind, rows in (("finding", findings), ("repair", repairs)):
            for row in rows:
                put_json({"kind": kind, **row})
        return
    if not findings and not repairs:
        print("Nothing is on record yet.")
        return
    _put_repairs(repairs)
    _put_findings(findings)


def _put_repairs(rows: list[Any]) -> None:
    made = table("repair", "when", "valve", "work", "by", "cost", "check", right=("repair", "cost"))
    for r in rows:
        check = r["check"]["state"] if r["check"] else _without_check(r)
        made.add_row(str(r["id"]), r["at"], r["valve"], r["work_text"], r["who"], _money(r), check)
    if rows:
        put_table(console(), made)


def _put_findings(rows: list[Any]) -> None:
    made = table("finding", "when", "valve", "found", "by", "note", right=("finding",))
    for r in rows:
        what = r["found"].replace("-", " ") + (f", {r['source']} passes" if r["source"] else "")
        made.add_row(str(r["id"]), r["at"], r["valve"], what, r["who"], r["note"])
    if rows:
        put_table(console(), made)


def _without_check(row: RepairShape) -> str:
    if row["withdrawn"]:
        return "taken back"
    if row["superseded_by"] is not None:
        return f"corrected by {row['superseded_by']}"
    return "no check: work on the sensor"


def show_one(folder: Path, number: int, as_json: bool) -> None:
    """Print one repair in full."""
    row, details = one(folder, number)
    if as_json:
        put_json({**row, "details": details})
        return
    out = console()
    out.print(f"Repair {row['id']}: {row['sentence']} {row['at']}, {row['who']}. {row['note']}".rstrip())
    out.print(row["check"]["sentence"] if row["check"] else f"{_without_check(row).capitalize()}.")
    if details is None:
        return
    for name in ("before", "after"):
        _put_levels(name, details.get(name))
    out.print("An aid for finding leaks, not proof of isolation.")


def one(folder: Path, number: int) -> tuple[RepairShape, dict[str, Any] | None]:
    """A repair and the levels before and after. Raises CommandError if there is none of that number."""
    with desk(folder) as (_, book):
        looked = book.looked()
    row = next((r for r in looked.repairs if r["id"] == number), None)
    if row is None:
        known = ", ".join(str(r["id"]) for r in looked.repairs[:10]) or "none yet"
        raise CommandError(f"there is no repair {number}. On record: {known}.")
    check = looked.checks.get(number)
    return row, check.ended.payload if check is not None and check.ended is not None else None


def show_next(folder: Path, as_json: bool) -> None:
    """Print the repair list."""
    with desk(folder) as (site, book):
        found = repair_list(sources_of(site, book))
    if as_json:
        for row in found["rows"]:
            put_json(row)
        put_json(found["spared"])
        return
    out = console()
    if not found["rows"]:
        out.print("Nothing is to be repaired, and nothing is in doubt.")
    for number, row in enumerate(found["rows"], start=1):
        place = f"{number}. " if row["deed"] == Deed.REPAIR else ""
        out.print(f"{place}{row['valve']} ({row['group']}): {row['deed']}. {' '.join(row['why'])}")
    out.print(found["spared"]["sentence"])
    out.print("An aid for finding leaks, not proof of isolation.")


def sources_of(site: Opened, book: Desk) -> Sources:
    """What the repair list is made from, out of the store."""
    readings: list[GroupReading] = [msgspec.json.decode(r.payload) for r in site.reader.readings()]
    by_group = {r["group"]: r for r in readings}
    now_us = site.now_us
    alarms = [alarm_shape(a, by_group.get(a.group), now_us) for a in standing(site.reader)]
    layout = Layout.of(site.site.register, site.site.core)
    return Sources(
        book, site.reader, site.site.core, lambda: readings, lambda: alarms, Appraiser(layout, site.reader)
    )


def _put_levels(name: str, levels: dict[str, Any] | None) -> None:
    if levels is None:
        print(f"{name}: nothing was heard.")
        return
    bar = levels["difference_bar"]
    pressure = "pressure difference not measured" if bar is None else f"pressure difference {bar:.1f} bar"
    print(f"{name}: {levels['from']} to {levels['to']}, {pressure}")
    made = table("sensor", "level", "background", "rise", "verdict", right=("level", "background", "rise"))
    for c in levels["channels"]:
        numbers = [_db(c[key]) for key in ("level_db", "baseline_db", "rise_db")]
        made.add_row(c["valve"] or c["channel"], *numbers, c["verdict"] if c["valve"] else "reference point")
    put_table(console(), made)


def _db(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.1f} dB"


def _money(row: RepairShape) -> str:
    cost = row["cost"]
    return f"{cost['amount']} {cost['currency']}" if cost else ""


def _word(kind: Any, text: str, option: str) -> Any:
    try:
        return kind(text.strip().lower().replace(" ", "-"))
    except ValueError:
        raise CommandError(f"--{option} {text!r} is not known. One of: {', '.join(kind)}.") from None


def _at_us(text: str | None, now_us: int) -> int:
    if text is None:
        return now_us
    try:
        return parse_moment(text, now_us)
    except ValueError as error:
        raise CommandError(f"--at: {error}. Write {FORMS}.") from None


def _cost(given: Given) -> Cost | None:
    if given.cost is None:
        return None
    try:
        return Cost.read(given.cost, given.currency)
    except ValueError as error:
        raise CommandError(f"--cost: {error}.") from None
