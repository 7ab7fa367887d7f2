"""The report of a period, part by part. Everything in it is counted or measured; what is missing is said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from hissmark.figures.annunciations import annunciated
from hissmark.figures.summary import TARGETS, Figures, figures_of
from hissmark.paper.charts import bars, rise_line
from hissmark.paper.skyline import range_of, skyline
from hissmark.publish.shapes import GroupReading
from hissmark.publish.times import age_text, parse_rfc3339, rfc3339
from hissmark.publish.words import counted
from hissmark.repairs.desk import Looked
from hissmark.repairs.listing import briefs
from hissmark.repairs.ranking import Deed, Known, Row, ranked
from hissmark.repairs.sentences import CAUTION
from hissmark.repairs.shapes import RepairShape
from hissmark.repairs.spared import spared
from hissmark.repairs.spent import spent_sentence, spoken
from hissmark.repairs.trend import trend_db_per_day
from hissmark.reports.parts import Grid, Heading, Part, Picture, Words
from hissmark.reports.sources import DAY_US, Seen, Sources, passing_valves, rises, see, since_us
from hissmark.store.repairs import standing

MOST_SHOWN = 8
"""Leaks and repairs that get a picture; the others are in the tables."""
MOST_LISTED = 40
SKYLINE_HEIGHT = 150.0


def time(at: str | int) -> str:
    """RFC 3339 with a blank, to the minute: ``2026-03-01 02:14Z``."""
    text = at if isinstance(at, str) else rfc3339(at)
    return f"{text[:10]} {text[11:16]}Z"


def report_of(sources: Sources, from_us: int, to_us: int) -> list[Part]:
    """The report of [from, to)."""
    seen, looked = see(sources, from_us, to_us), sources.desk.looked()
    rows = _ranked(sources, seen, looked)
    done = [r for r in looked.repairs if r["stands"] and from_us <= parse_rfc3339(r["at"]) < to_us]
    return [
        Heading(f"Report, {sources.site}", 1),
        Words(f"{time(from_us)} to {time(to_us)} (UTC), made {time(sources.desk.now_us())}"),
        *_summary(seen, rows, done),
        *_leaks(sources, seen, rows),
        *_others(rows),
        *_repairs(looked, done),
        *_saved(sources, looked),
        *_figures(sources, seen),
        *_sensors(seen),
        Words(CAUTION, caution=True),
    ]


def _ranked(sources: Sources, seen: Seen, looked: Looked) -> list[Row]:
    layout, reader = sources.layout(), sources.reader
    passing = passing_valves(seen)
    valves = layout.register.valves
    trends = {v: trend_db_per_day(reader, valves[v], seen.to_us) for v in passing[:MOST_LISTED]}
    checks = {
        r["valve"]: r["check"]["state"]
        for r in looked.repairs
        if r["check"] is not None and r["check"]["outcome"] is None
    }
    known = Known(
        seen.to_us, since_us(seen), {v: t for v, t in trends.items() if t is not None},
        briefs(sources.appraiser, passing[:MOST_LISTED]), checks,
    )  # fmt: skip
    return ranked(list(seen.readings.values()), layout.register, layout.settings.alarms.priority, known)


def _summary(seen: Seen, rows: Sequence[Row], done: Sequence[RepairShape]) -> Iterator[Part]:
    to_repair = [r for r in rows if r.deed is Deed.REPAIR]
    leaks = "No valve was passing" if not to_repair else f"{counted(len(to_repair), 'valve')} passing"
    outcomes = Counter(r["check"]["outcome"] or "still checked" for r in done if r["check"] is not None)
    said = ", ".join(f"{n} {what}" for what, n in sorted(outcomes.items()))
    repairs = counted(len(done), "repair") + (f" ({said})" if said else "")
    alarms = counted(len(annunciated(seen.rows)), "alarm")
    yield Words(f"{leaks} at the end. {repairs} and {alarms} in the period.", strong=True)


def _leaks(sources: Sources, seen: Seen, rows: Sequence[Row]) -> Iterator[Part]:
    to_repair = [r for r in rows if r.deed is Deed.REPAIR]
    yield Heading("To be repaired, in this order")
    if not to_repair:
        yield Words("No valve calls for a repair.")
        return
    yield Grid(
        ("", "Valve", "Group", "Priority", "Rise", "Passing for", "Worth"),
        [
            (
                str(i), r.valve, r.group, r.priority, _db(r.rise_db),
                age_text((seen.to_us - r.since_us) / 1e6) if r.since_us else "",
                r.worth.text if r.worth is not None else "",
            )
            for i, r in enumerate(to_repair[:MOST_LISTED], start=1)
        ],
        (0.04, 0.12, 0.17, 0.09, 0.08, 0.12, 0.38), (4,),
    )  # fmt: skip
    for row in to_repair[:MOST_SHOWN]:
        yield from _leak(sources, seen, row)


def _leak(sources: Sources, seen: Seen, row: Row) -> Iterator[Part]:
    layout = sources.layout()
    channel = layout.register.valves[row.valve]
    yield Heading(f"{row.valve}, {row.group}", 3)
    yield Words(" ".join(row.why))
    yield Picture(partial(_skyline, seen.readings[row.group]), f"What {row.group} hears at the end")
    points = rises(sources.follower, channel, seen.from_us, seen.to_us)
    limit_db, span_us = layout.settings.judge.rise_limit_db, (seen.from_us, seen.to_us)
    caption = f"Rise of {row.valve} over the period; dashed: the limit"
    yield Picture(lambda width: rise_line(points, span_us, limit_db, width), caption)


def _skyline(reading: GroupReading, width: float) -> Any:
    return skyline(reading["channels"], width, SKYLINE_HEIGHT)


def _others(rows: Sequence[Row]) -> Iterator[Part]:
    others = [r for r in rows if r.deed is not Deed.REPAIR]
    if not others:
        return
    yield Heading("To be checked, waited for, or left alone")
    yield Grid(
        ("Valve", "Group", "What to do", "Why"),
        [(r.valve, r.group, str(r.deed), " ".join(r.why)) for r in others[:MOST_LISTED]],
        (0.13, 0.19, 0.16, 0.52),
    )
    if len(others) > MOST_LISTED:
        yield Words(f"And {len(others) - MOST_LISTED} others.")


def _repairs(looked: Looked, done: Sequence[RepairShape]) -> Iterator[Part]:
    yield Heading("Repairs in the period")
    if not done:
        yield Words("No repair is on record for the period.")
        return
    yield Grid(
        ("No.", "Finished", "Valve", "Work", "By", "Cost", "What the sound says"),
        [
            (
                str(r["id"]), time(r["at"]), r["valve"], r["work_text"], r["who"],
                spoken(r["cost"]),
                r["check"]["state"] if r["check"] else "no check: work on the sensor",
            )
            for r in done[:MOST_LISTED]
        ],
        (0.05, 0.2, 0.11, 0.15, 0.12, 0.14, 0.23), (5,),
    )  # fmt: skip
    yield Words(spent_sentence([r["cost"] for r in done]))
    for row in done[:MOST_SHOWN]:
        check = looked.checks.get(row["id"])
        if check is not None and check.ended is not None:
            yield from _before_and_after(row, check.ended.payload)


def _before_and_after(row: RepairShape, details: dict[str, Any]) -> Iterator[Part]:
    shown = [(name, details[name]["channels"]) for name in ("before", "after") if details.get(name)]
    decibels = range_of(*(channels for _, channels in shown))
    yield Heading(f"Repair {row['id']}: {row['valve']}", 3)
    yield Words(row["check"]["sentence"] if row["check"] else "")
    for name, channels in shown:
        span = f"{time(details[name]['from'])} to {time(details[name]['to'])}"
        yield Picture(partial(_levels, channels, decibels), f"{name.capitalize()} the repair, {span}")


def _levels(channels: Sequence[dict[str, Any]], decibels: tuple[float, float], width: float) -> Any:
    return skyline(channels, width, 130.0, decibels)


def _saved(sources: Sources, looked: Looked) -> Iterator[Part]:
    yield Heading("What leaving the others alone has saved so far")
    outcomes = {number: c.ended for number, c in looked.checks.items() if c.ended is not None}
    limit_db = sources.layout().settings.judge.rise_limit_db
    yield Words(spared(standing(sources.desk.book.repairs()), outcomes, limit_db).sentence)


def _figures(sources: Sources, seen: Seen) -> Iterator[Part]:
    found = figures_of(seen.before, seen.rows, seen.from_us, seen.to_us)
    yield Heading("Alarm figures")
    yield Grid(
        ("", "Mean", "Most", "Acceptable", "At most"), _rates(found), (0.36, 0.16, 0.16, 0.16, 0.16),
        (1, 2, 3, 4),
    )  # fmt: skip
    yield Words("Limits after ISA-18.2 / EEMUA 191 as published second-hand, for one operator position.")
    days = Counter(row.entry.at_us // DAY_US * DAY_US for row in annunciated(seen.rows))
    first, end = seen.from_us // DAY_US * DAY_US, -(-seen.to_us // DAY_US) * DAY_US
    counts = [(at, days.get(at, 0)) for at in range(first, end, DAY_US)]
    yield Picture(lambda width: bars(counts, (first, end), width), "Alarms a day (UTC)")
    if found.frequent:
        yield Grid(
            ("Most frequent alarms", "Group", "Alarm", "Times", "Share"),
            [(a.valve, a.group, a.alarm, str(a.count), f"{a.share * 100:.0f} %") for a in found.frequent],
            (0.28, 0.28, 0.2, 0.12, 0.12), (3, 4),
        )  # fmt: skip


def _rates(found: Figures) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for name, key, rate in (
        ("Alarms in 10 minutes", "per_10_min", found.per_10_min),
        ("Alarms in an hour", "per_hour", found.per_hour),
        ("Alarms in a day", "per_day", found.per_day),
    ):  # fmt: skip
        target = TARGETS[key]
        rows.append(
            (name, f"{rate.mean:.2f}", str(rate.most), f"{target['acceptable']:g}", f"{target['most']:g}")
        )
    rows.append(("Share of time in floods", f"{found.flood_share * 100:.2f} %", "", "", "1 %"))
    rows.append(("Stale alarms at one moment", "", str(found.most_stale), "", "5"))
    return rows


def _sensors(seen: Seen) -> Iterator[Part]:
    channels = [(r["group"], c) for r in seen.readings.values() for c in r["channels"]]
    ill = [(group, c) for group, c in channels if c["health"] != "well"]
    learning = sum(c["baseline_state"] == "learning" for _, c in channels)
    yield Heading("Sensors")
    said = f"{len(channels) - len(ill)} of {counted(len(channels), 'sensor')} were well at the end"
    yield Words(f"{said}; {learning} were still learning their background." if learning else f"{said}.")
    if ill:
        yield Grid(
            ("Sensor", "On", "Group", "Health", "Last heard"),
            [
                (c["channel"], c["valve"] or "reference point", group, c["health"],
                 time(c["last_heard"]) if c["last_heard"] else "never")
                for group, c in ill[:MOST_LISTED]
            ],
            (0.2, 0.2, 0.24, 0.16, 0.2),
        )  # fmt: skip


def _db(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} dB"
