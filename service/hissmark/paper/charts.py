"""Pictures of change over time on paper: a rise as a line, counts as bars."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String  # type: ignore[import-untyped]

from hissmark.paper.ink import BODY, INK, LINE, MASS, SOFT, drawable, use_fonts

LEFT, RIGHT, TOP, BOTTOM = 30.0, 8.0, 12.0, 18.0
SIZE = 6.4
DAY_US = 86_400_000_000


def _text(x: float, y: float, text: str, anchor: str = "middle") -> Any:
    return String(x, y, drawable(text), fontName=BODY, fontSize=SIZE, textAnchor=anchor, fillColor=INK)


def _frame(width: float, height: float, high: float, unit: str, low: float = 0.0) -> tuple[Drawing, Any]:
    """A drawing with a scale, and the place of a value on it."""
    use_fonts()
    made = Drawing(width, height)

    def y(value: float) -> float:
        share = (min(max(value, low), high) - low) / (high - low)
        return BOTTOM + share * (height - TOP - BOTTOM)

    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1e3, 1e4, 1e5, 1e6) if (high - low) / s <= 5)
    level = -(-low // step) * step
    while level <= high:
        made.add(Line(LEFT, y(level), width - RIGHT, y(level), strokeColor=LINE, strokeWidth=0.35))
        made.add(_text(LEFT - 4, y(level) - 2.2, f"{level + 0.0:g}", "end"))
        level += step
    made.add(_text(LEFT - 4, height - 7, unit, "end"))
    return made, y


def _days(made: Drawing, width: float, from_us: int, to_us: int) -> Any:
    """Dates along the foot, and the place of a time."""

    def x(at_us: float) -> float:
        return LEFT + (at_us - from_us) / max(to_us - from_us, 1) * (width - LEFT - RIGHT)

    days = max(1, -(-(to_us - from_us) // (7 * DAY_US)))
    at_us = -(-from_us // DAY_US) * DAY_US
    while at_us <= to_us:
        made.add(Line(x(at_us), BOTTOM - 3, x(at_us), BOTTOM, strokeColor=SOFT, strokeWidth=0.5))
        label = datetime.fromtimestamp(at_us / 1e6, UTC).strftime("%m-%d")
        if LEFT + 10 < x(at_us) < width - 10 or at_us == from_us:
            made.add(_text(x(at_us), 5, label))
        at_us += days * DAY_US
    return x


def rise_line(
    points: Sequence[tuple[int, float | None]], span_us: tuple[int, int], limit_db: float, width: float,
    height: float = 84.0,
) -> Drawing:  # fmt: skip
    """Rise over time, dB; None breaks the line. The dashed line is the limit."""
    values = [v for _, v in points if v is not None]
    high = max([limit_db + 4, *[v + 2 for v in values]])
    made, y = _frame(width, height, high, "dB", min([0.0, *values]))
    x = _days(made, width, *span_us)
    made.add(
        Line(
            LEFT, y(limit_db), width - RIGHT, y(limit_db), strokeColor=INK, strokeWidth=0.6,
            strokeDashArray=[3, 2],
        )
    )  # fmt: skip
    run: list[float] = []
    for at_us, value in [*points, (0, None)]:
        if value is not None:
            run += [x(at_us), y(value)]
            continue
        if len(run) == 2:
            run += [run[0] + 0.8, run[1]]
        if run:
            made.add(PolyLine(run, strokeColor=INK, strokeWidth=1.1))
        run = []
    return made


def bars(
    counts: Sequence[tuple[int, int]], span_us: tuple[int, int], width: float, height: float = 84.0
) -> Drawing:
    """Counts of periods that begin at the times given."""
    made, y = _frame(width, height, max([4.0, *[c + 0.5 for _, c in counts]]), "")
    x = _days(made, width, *span_us)
    wide = (x(counts[1][0]) - x(counts[0][0])) * 0.8 if len(counts) > 1 else 20.0
    for at_us, count in counts:
        if count:
            made.add(
                Rect(x(at_us), y(0), wide, y(count) - y(0), fillColor=MASS, strokeColor=INK, strokeWidth=0.4)
            )
    made.add(Line(LEFT, y(0), width - RIGHT, y(0), strokeColor=INK, strokeWidth=0.7))
    return made
