"""The certificate of a repair: one page with the levels before and after, and what they were heard under."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.platypus import Flowable, Spacer  # type: ignore[import-untyped]

from hissmark.engine.register import Channel, Register
from hissmark.paper import ink
from hissmark.paper.sheet import Paper, facts, grid, height_of, pdf, room, signatures, text
from hissmark.paper.skyline import range_of, skyline
from hissmark.publish.times import age_text, parse_rfc3339, rfc3339
from hissmark.repairs.desk import Looked
from hissmark.repairs.sentences import CAUTION
from hissmark.repairs.shapes import FindingShape, RepairShape

MOST_ROWS = 14
LEAST_HEIGHT, MOST_HEIGHT = 112.0, 168.0
"""Of a picture, points."""
HEADING_HEIGHT = 27.0
_VERDICTS = {
    "tight again": "tight again",
    "still passing": "still passing",
    "source elsewhere": "not proved: the source is elsewhere",
    "not tested": "not tested",
}


@dataclass(frozen=True, slots=True)
class Certified:
    """Everything a certificate says.

    Attributes:
        details: what is on record of the check (levels before and after, hold time, ...).
        findings: what was found at the valve before the work.
        channel: the valve in the register; None if it is no longer there.
        made_at: when the paper was made, RFC 3339.
    """

    site: str
    repair: RepairShape
    details: dict[str, Any]
    findings: Sequence[FindingShape]
    channel: Channel | None
    made_at: str
    version: str


class NoCertificateError(ValueError):
    """There is nothing to certify; the message says why."""


def certified_of(
    looked: Looked, number: int, *, site: str, register: Register, now_us: int, version: str
) -> Certified:
    """Everything about one repair. Raises NoCertificateError."""
    row = next((r for r in looked.repairs if r["id"] == number), None)
    if row is None:
        raise NoCertificateError(f"There is no repair {number}.")
    if row["superseded_by"] is not None:
        raise NoCertificateError(f"Repair {number} was corrected by {row['superseded_by']}.")
    check = looked.checks.get(number)
    if check is None:
        raise NoCertificateError(f"Repair {number} is not checked: {row['work_text']}.")
    if check.ended is None:
        state = row["check"]["state"] if row["check"] else "running"
        raise NoCertificateError(f"The check of repair {number} has not ended yet: {state}.")
    return Certified(
        site, row, check.ended.payload, _found_before(looked, row), register.valves.get(row["valve"]),
        rfc3339(now_us), version,
    )  # fmt: skip


def _found_before(looked: Looked, repair: RepairShape) -> list[FindingShape]:
    """What was found at the valve since its repair before this one, oldest first."""
    done_us = parse_rfc3339(repair["at"])
    earlier = [
        parse_rfc3339(r["at"]) for r in looked.repairs if r["valve"] == repair["valve"] and r["stands"]
    ]
    since_us = max((at for at in earlier if at < done_us), default=0)
    return [
        f
        for f in reversed(looked.findings)
        if f["stands"] and repair["valve"] in (f["valve"], f["source"])
        and since_us < parse_rfc3339(f["at"]) <= done_us
    ]  # fmt: skip


def certificate(what: Certified, paper: Paper = "A4") -> bytes:
    """The certificate as a PDF of one page. The repair's check must have ended."""
    check = what.repair["check"]
    if check is None or check["outcome"] is None:
        raise ValueError("the check of this repair has not ended")
    width, height = room(paper)
    above, below = _above(what, width), _below(what, width)
    free = height - height_of([*above, *below], width) - 2 * HEADING_HEIGHT
    tall = min(max(free / 2, LEAST_HEIGHT), MOST_HEIGHT)
    parts = [*above, *_pictures(what.details, width, tall), *below]
    foot = f"hissmark {what.version}, {what.site}, repair {what.repair['id']}, made {_time(what.made_at)}"
    title = f"Repair certificate {what.repair['id']}, {what.repair['valve']}"
    return pdf(parts, title=title, foot=foot, paper=paper, one_page=True)


def _above(what: Certified, width: float) -> list[Flowable]:
    repair, check = what.repair, what.repair["check"]
    assert check is not None  # noqa: S101 - callers have seen to it
    verdict = f"{repair['valve']}: {_VERDICTS[str(check['outcome'])]}"
    return [
        text(f"Repair certificate no. {repair['id']}", ink.TITLE),
        text(f"{what.site}, group {what.details['group']}", ink.TEXT),
        text(verdict, ink.VERDICT),
        text(check["sentence"]),
        Spacer(0, 4),
        facts(_facts(what), width),
    ]


def _below(what: Certified, width: float) -> list[Flowable]:
    return [
        *_levels(what.details, width),
        text(CAUTION, ink.CAUTION),
        Spacer(0, 34),
        signatures(("Read and accepted by", "Date", "Signature"), width),
    ]


def _facts(what: Certified) -> list[tuple[str, str]]:
    repair, details = what.repair, what.details
    rows = [("Valve", _valve(what))]
    rows += [
        ("Found", f"{f['sentence']} {_time(f['at'])}, {f['who']}. {f['note']}".strip()) for f in what.findings
    ]
    done = f"{repair['work_text']}, finished {_time(repair['at'])}, by {repair['who']}"
    rows.append(("Work", f"{done}. {repair['note']}" if repair["note"] else done))
    if repair["cost"]:
        rows.append(("Cost", f"{repair['cost']['amount']} {repair['cost']['currency']}"))
    rows.append(("Pressure difference", _pressures(details)))
    held = details.get("held_from")
    if held:
        span = f"{_time(held)} to {_time(details['held_to'])}"
        rows.append(("Hold time", f"{age_text(float(details['hold_s']))} asked for without a break: {span}"))
    rows.append(
        (
            "Back means",
            f"every judged channel of the group within {details['near_db']:g} dB of its background",
        )
    )
    rows.append(("Recorded", f"{_time(repair['recorded_at'])} by {repair['recorded_by']}"))
    return rows


def _valve(what: Certified) -> str:
    channel = what.channel
    if channel is None:
        return what.repair["valve"]
    size = f"{channel.size_mm:g} mm" if channel.size_mm else ""
    kind = " ".join(t for t in (size, channel.valve_type) if t)
    return ", ".join(t for t in (what.repair["valve"], kind, channel.service, f"sensor {channel.name}") if t)


def _pressures(details: dict[str, Any]) -> str:
    bars = [(details.get(name) or {}).get("difference_bar") for name in ("before", "after")]
    if bars == [None, None]:
        return "not measured: judged on sound alone"
    before, after = ("not measured" if b is None else f"{b:.1f} bar" for b in bars)
    share = details.get("pressure_share")
    least = f" (at least {share * 100:.0f} % of it is asked for)" if share and bars[0] is not None else ""
    return f"{before} before{least}, {after} after"


def _pictures(details: dict[str, Any], width: float, height: float) -> list[Flowable]:
    shown = [(name, details.get(name)) for name in ("before", "after")]
    known = [levels["channels"] for _, levels in shown if levels]
    decibels = range_of(*known)
    parts: list[Flowable] = []
    for name, levels in shown:
        if not levels:
            parts.append(text(f"{name.capitalize()}: nothing was heard.", ink.HEADING))
            continue
        head = f"{name.capitalize()}: {_time(levels['from'])} to {_time(levels['to'])}"
        picture = skyline(levels["channels"], width, height, decibels)
        parts += [text(head, ink.HEADING), picture]
    return parts


def _levels(details: dict[str, Any], width: float) -> list[Flowable]:
    """Levels of the channels that rose most, as numbers."""
    before, after = (_by_channel(details.get(name)) for name in ("before", "after"))
    order = sorted(before or after, key=lambda n: -float((before or after)[n].get("rise_db") or -99))
    names = set(order[:MOST_ROWS])
    rows = []
    for name, row in (after or before).items():
        if name not in names:
            continue
        then, now = before.get(name, {}), after.get(name, {})
        cells = [_db(c.get(key)) for c in (then, now) for key in ("level_db", "baseline_db", "rise_db")]
        rows.append([row["valve"] or f"{name} (reference)", *cells, _said(now)])
    columns = [
        "Sensor on", "Level before", "Background", "Rise before", "Level after", "Background", "Rise after",
        "Verdict after",
    ]  # fmt: skip
    widths = [width * s for s in (0.15, 0.12, 0.12, 0.11, 0.12, 0.12, 0.11, 0.15)]
    parts: list[Flowable] = [Spacer(0, 5), grid(columns, rows, widths, right=range(1, 7))]
    if len(order) > MOST_ROWS:
        parts.append(text(f"And {len(order) - MOST_ROWS} others that had risen less.", ink.SMALL))
    return parts


def _by_channel(levels: dict[str, Any] | None) -> dict[str, Any]:
    return {} if levels is None else {c["channel"]: c for c in levels["channels"]}


def _said(row: dict[str, Any]) -> str:
    if row.get("kind") == "reference":
        return ""
    verdict = str(row.get("verdict") or "")
    return f"{verdict} ({row['reason']})" if verdict == "not testable" else verdict


def _db(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} dB"


def _time(at: str) -> str:
    """RFC 3339 with a blank, whole seconds: ``2026-03-01 02:14:00Z``."""
    return f"{at[:10]} {at[11:19]}Z"
