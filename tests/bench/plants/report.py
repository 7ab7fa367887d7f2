"""Tables out of the records: the figures side by side, and what stood behind each miss and false alarm."""

from __future__ import annotations

from collections import Counter

import numpy as np
from rich.console import Console
from rich.table import Table

from .score import Exposure, Record

GOALS = {
    "leaks found": ">= 98 %",
    "wrong valve, share of alarms": "<= 0.5 %",
    "false alarms a valve-year": "<= 0.02",
    "within 20 min": ">= 50 %",
    "both of two named": ">= 80 %",
    "sensor faults seen": ">= 95 %",
}


def share(good: int, bad: int) -> str:
    """`good` of the total in per cent with the counts."""
    total = good + bad
    return f"{100.0 * good / total:.1f} % ({good}/{total})" if total else "-"


def figures(records: list[Record], watched: Exposure) -> dict[str, str]:
    """The headline figures of one method."""
    n = Counter(r.outcome for r in records)
    named = ("right", "repeated", "wrong valve", "false", "open valve named")
    alarms = sum(n[k] for k in named)
    delays = np.array(
        [r.facts["delay_s"] for r in records if r.outcome == "found" and r.facts["delay_s"] is not None]
    )
    quick = int((delays <= 1200.0).sum())
    rows = {
        "leaks found": share(n["found"], n["missed"]),
        "leaks found, fair": share(n["found fair"], n["missed fair"]),
        "wrong valve, share of alarms": share(n["wrong valve"], alarms - n["wrong valve"]),
        "false alarms a valve-year": _rate(n["false"], watched.quiet_valve_years),
        "within 20 min": share(quick, n["found"] + n["missed"] - quick),
        "minutes to alarm, 10/50/90 %": _percentiles(delays / 60.0),
        "both of two named": share(n["both named"], n["pair missed"]),
        "both of two named, fair": share(n["both named fair"], n["pair missed fair"]),
        "repeats a leak": f"{n['repeated'] / max(n['found'], 1):.2f}",
        "open valve named (no position tag)": str(n["open valve named"]),
        "contested a valve-year": _rate(n["contested, leak"] + n["contested, no leak"], watched.valve_years),
    }
    if n["fault seen"] or n["false fault"]:
        rows["sensor faults seen"] = share(n["fault seen"], n["fault missed"])
        rows["false sensor faults a channel-year"] = _rate(n["false fault"], watched.channel_years)
        rows["sensor faults said in gaps"] = str(n["fault said in a gap"])
    return rows


def _rate(count: int, years: float) -> str:
    return f"{count / max(years, 1e-9):.3f} ({count})"


def _percentiles(minutes: np.ndarray) -> str:
    return " / ".join(f"{x:.0f}" for x in np.percentile(minutes, (10, 50, 90))) if len(minutes) else "-"


def print_figures(console: Console, by_method: dict[str, dict[str, str]], watched: Exposure) -> None:
    """One column a method, one row a figure, the goal beside it."""
    quiet = f"{watched.quiet_valve_years:.0f} of them with no leak in the group"
    table = Table(title=f"{watched.valve_years:.0f} valve-years, {quiet}")
    table.add_column("figure")
    for method in by_method:
        table.add_column(method, justify="right")
    table.add_column("goal", justify="right")
    for name in dict.fromkeys(k for rows in by_method.values() for k in rows):
        table.add_row(name, *(rows.get(name, "-") for rows in by_method.values()), GOALS.get(name, ""))
    console.print(table)


def print_causes(console: Console, method: str, records: list[Record], most: int = 12) -> None:
    """What stood behind the false, wrong and missing alarms of one method."""
    for outcome in ("false", "wrong valve", "contested, no leak", "contested, leak", "false fault"):
        rows = [r for r in records if r.outcome == outcome]
        if rows:
            _counts(
                console,
                f"{method}: {outcome} ({len(rows)}) by likely cause",
                Counter(r.cause for r in rows),
                most,
            )
    wrong = [r for r in records if r.outcome == "wrong valve"]
    if wrong:
        classes = Counter("valve blamed " + _loss_class(r.facts["loss_db"] or 99.0) for r in wrong)
        _counts(console, f"{method}: wrong valve by loss from the leaking one", classes, most)
    for name in ("fault", "found", "found fair"):
        print_shares(console, method, records, name)


def _counts(console: Console, title: str, counts: Counter[str], most: int) -> None:
    console.print(f"\n[bold]{title}[/bold]")
    for cause, count in counts.most_common(most):
        console.print(f"  {count:6d}  {cause}")


def print_shares(console: Console, method: str, records: list[Record], name: str) -> None:
    """Found and missed, by each property of the leak (or kind of the fault)."""
    good, bad = ("fault seen", "fault missed") if name == "fault" else (name, name.replace("found", "missed"))
    rows = [r for r in records if r.outcome in (good, bad)]
    if not rows:
        return
    console.print(f"\n[bold]{method}: {good} by kind[/bold]")
    for key, members in sorted(_kinds(rows).items()):
        hits = sum(r.outcome == good for r in members)
        console.print(f"  {share(hits, len(members) - hits):>20}  {key}")


def _kinds(rows: list[Record]) -> dict[str, list[Record]]:
    kinds: dict[str, list[Record]] = {}
    for r in rows:
        for key in (r.cause, *_properties(r)):
            kinds.setdefault(key, []).append(r)
    return kinds


def _loss_class(loss_db: float) -> str:
    return "under 3 dB away" if loss_db < 3 else "3-5 dB away" if loss_db < 5 else "over 5 dB away"


def _properties(r: Record) -> list[str]:
    f = r.facts
    if "stands_hours" not in f:
        return []
    hours = f["stands_hours"]
    return [
        "growing" if f["growing"] else "sudden",
        "at an end of the group" if f["at_end"] else "inside the group",
        f"every {f['cadence_s']:4d} s",
        "with a second leak, under its spill"
        if f["masked"]
        else "with a second leak"
        if f["second_leak"]
        else "alone",
        "stands 2-6 h" if hours < 6 else "stands 6-24 h" if hours < 24 else "stands over a day",
        "nearest valve " + _loss_class(f["nearest_loss_db"]),
        "source sounds loudest" if f["loudest"] else "a neighbour sounds louder (coupling)",
    ]
