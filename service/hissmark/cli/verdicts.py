"""`hissmark verdicts`: what is believed of every valve now, and why."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.publish.shapes import ChannelReading, GroupReading
    from hissmark.store.records import Reading

_EPILOG = """\b
Examples:
  hissmark verdicts north
  hissmark verdicts north --group flare-knockout
  hissmark verdicts north --json | jq 'select(.verdict == "passing")'

Verdicts: quiet, passing (the source), spill (hears a source elsewhere), contested (too close to call),
outside noise, unsettled, not testable (with the reason). "Quiet" is no proof of isolation. A JSON line
has valve, group, verdict, reason, source, rise_db, margin_db, level_db, baseline_db, at (event time),
since, last_heard and fresh: whether the sensor was heard recently enough for the verdict to stand."""

_LEVELS = ("level_db", "baseline_db", "rise_db")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("verdicts", short_help="Show the verdict of every valve, and why.", epilog=_EPILOG)(verdicts)


def verdicts(
    site: SiteFolder,
    as_json: AsJson = False,
    group: Annotated[str | None, typer.Option(metavar="GROUP", help="Only this group.")] = None,
) -> None:
    """Show the verdict of every valve, with its rise, its reason and its age."""
    from hissmark.cli.errors import CommandError
    from hissmark.cli.opened import opened
    from hissmark.cli.output import put_json

    with opened(site) as open_site:
        groups = list(open_site.site.register.groups)
        if group is not None and group not in groups:
            raise CommandError(
                f"{group!r} is no group of {open_site.site.name}. Groups are: {', '.join(groups)}."
            )
        now = open_site.now_us
        rows = valve_rows(open_site, now, [group] if group else groups)
        if not as_json:
            _print_table(open_site, list(rows), now)
            return
        for row in rows:
            put_json(row)


def valve_rows(site: Opened, now: int, groups: list[str]) -> Iterator[dict[str, Any]]:
    """One row for every valve of `groups`, in the order of the register."""
    import msgspec

    stored = {r.group: r for r in site.reader.readings()}
    since = site.reader.verdicts_since(_judged_at(site, groups, stored))
    for name in groups:
        row = stored.get(name)
        reading: GroupReading | None = msgspec.json.decode(row.payload) if row else None
        channels = {c["channel"]: c for c in reading["channels"]} if reading else {}
        for channel in site.site.register.groups[name]:
            if channel.valve is not None:
                known = channels.get(channel.name)
                yield _row(site, channel.valve, name, reading, known, since.get(channel.valve), now)


def _judged_at(site: Opened, groups: list[str], stored: dict[str, Reading]) -> dict[str, int]:
    """Valve -> time of the reading that its verdict stands in."""
    return {
        channel.valve: stored[name].at_us
        for name in groups
        if name in stored
        for channel in site.site.register.groups[name]
        if channel.valve is not None
    }


def _row(
    site: Opened,
    valve: str,
    group: str,
    reading: GroupReading | None,
    channel: ChannelReading | None,
    since_us: int | None,
    now: int,
) -> dict[str, Any]:
    from hissmark.publish.times import rfc3339_or_none

    if reading is None or channel is None:
        return {**_UNKNOWN, "valve": valve, "group": group}
    explanation = reading["explanation"]
    sources = [s for s in (explanation["source"], explanation["second"]) if s]
    said = channel["verdict"]
    return {
        "valve": valve,
        "group": group,
        "verdict": said,
        "reason": channel["reason"],
        "source": valve if valve in sources else (sources[0] if sources and said in _HAS_SOURCE else None),
        **{key: channel[key] for key in _LEVELS},  # type: ignore[literal-required]
        "margin_db": explanation["margin_db"] if valve in sources else None,
        "at": reading["at"],
        "since": rfc3339_or_none(since_us),
        "last_heard": channel["last_heard"],
        "fresh": _is_fresh(site, channel, now),
        "reason_sentence": channel["reason_sentence"],
    }


_HAS_SOURCE = ("passing", "spill", "contested", "outside noise")
_UNKNOWN: dict[str, Any] = {
    "valve": "",
    "group": "",
    "verdict": "not testable",
    "reason": "no fresh data",
    "source": None,
    "level_db": None,
    "baseline_db": None,
    "rise_db": None,
    "margin_db": None,
    "at": None,
    "since": None,
    "last_heard": None,
    "fresh": False,
    "reason_sentence": "Nothing has been judged yet.",
}


def _is_fresh(site: Opened, channel: ChannelReading, now: int) -> bool:
    """Heard within the stale limit, or within three of its own intervals."""
    from hissmark.publish.times import parse_rfc3339

    if channel["last_heard"] is None:
        return False
    limit_s = max(site.site.core.signal.stale_s, 3 * (channel["interval_s"] or 0.0))
    return now - parse_rfc3339(channel["last_heard"]) <= limit_s * 1e6


def _print_table(site: Opened, rows: list[dict[str, Any]], now: int) -> None:
    from hissmark.cli.alarms import freshness
    from hissmark.cli.output import console, put_table, table

    made = table("group", "valve", "verdict", "rise", "level", "background", "since", "why", right=_NUMBERS)
    group = ""
    for row in rows:
        shown = row["group"] if row["group"] != group else ""
        group = row["group"]
        made.add_row(shown, *_cells(row, now), style="bold" if row["verdict"] == "passing" else None)
    out = console()
    put_table(out, made)
    out.print()
    out.print(f"{site.site.name}: {_summary(rows)} {freshness(site, now)}")
    out.print("An aid for finding leaks, not proof of isolation.", style="dim")


_NUMBERS = ("rise", "level", "background")


def _cells(row: dict[str, Any], now: int) -> list[str]:
    from hissmark.publish.times import parse_rfc3339

    since = parse_rfc3339(row["since"]) if row["since"] else None
    at = parse_rfc3339(row["at"]) if row["at"] else None
    why = row["reason_sentence"]
    if row["source"] and row["source"] != row["valve"]:
        why = f"{why} Source: {row['source']}."
    if at is not None and not row["fresh"]:
        why = f"{why} Not heard since: {_ago(at, now)}."
    levels = [_db(row[key]) for key in ("rise_db", "level_db", "baseline_db")]
    return [row["valve"], row["verdict"], *levels, _ago(since, now) if since else "", why]


def _ago(time_us: int, now: int) -> str:
    from hissmark.cli.output import ago

    return ago(time_us, now)


def _db(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} dB"


def _summary(rows: list[dict[str, Any]]) -> str:
    """``1 passing, 4 spill, 7 quiet.``"""
    order = ("passing", "contested", "spill", "outside noise", "unsettled", "not testable", "quiet")
    counts = [(sum(r["verdict"] == verdict for r in rows), verdict) for verdict in order]
    return ", ".join(f"{n} {verdict}" for n, verdict in counts if n) + "." if rows else "No valve."
