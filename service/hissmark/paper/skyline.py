"""The skyline on paper: a group along its pipe, decibels upwards, as the page draws it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.graphics.shapes import (  # type: ignore[import-untyped]
    Circle,
    Drawing,
    Group,
    Line,
    Polygon,
    PolyLine,
    Rect,
    String,
)

from hissmark.paper.ink import BAND, BODY, BOLD, INK, LINE, MASS, SOFT, drawable, grey, use_fonts, width_of

Row = Mapping[str, Any]
"""One channel: channel, valve, kind, distance_m, level_db, l10_db, baseline_db, rise_db, expected_db,
verdict, reason; None where not known."""

LEFT, RIGHT, TOP, BOTTOM = 30.0, 6.0, 24.0, 46.0
"""Room around the levels: the scale, nothing, names over peaks, the pipe with its labels."""
LABEL_SIZE, SMALL_SIZE = 7.0, 6.2


@dataclass(frozen=True)
class Frame:
    """Where levels and channels lie, in points. `y` of a level; `x` of each channel."""

    width: float
    height: float
    low: float
    high: float
    x: tuple[float, ...]

    def y(self, db: float) -> float:
        room = self.height - TOP - BOTTOM
        return BOTTOM + (min(max(db, self.low), self.high) - self.low) / (self.high - self.low) * room

    @property
    def step(self) -> float:
        gaps = [b - a for a, b in zip(self.x[:-1], self.x[1:], strict=True)]
        return min(gaps, default=self.width / 2)

    @property
    def half(self) -> float:
        return max(2.0, min(13.0, self.step * 0.3))


def range_of(*pictures: Sequence[Row]) -> tuple[float, float]:
    """Lowest and highest decibel that pictures which are to be compared have in common."""
    names = ("level_db", "l10_db", "baseline_db", "expected_db")
    values = [float(c[n]) for rows in pictures for c in rows for n in names if c.get(n) is not None]
    if not values:
        return 0.0, 40.0
    low = (min(values) - 4) // 10 * 10
    return low, max(-(-(max(values) + 2) // 5) * 5, low + 30)


def skyline(
    rows: Sequence[Row], width: float, height: float, decibels: tuple[float, float] | None = None
) -> Drawing:
    """The picture, `width` by `height` points; `decibels` to compare it with another one."""
    use_fonts()
    low, high = decibels or range_of(rows)
    frame = Frame(width, height, low, high, _positions(rows, LEFT + 22, width - RIGHT - 22))
    made = Drawing(width, height)
    for shape in _grid(frame):
        made.add(shape)
    for row, x in zip(rows, frame.x, strict=True):
        for shape in _column(row, x, frame):
            made.add(shape)
    for part in (_expected(rows, frame), _pipe(rows, frame), _labels(rows, frame), _peaks(rows, frame)):
        for shape in part:
            made.add(shape)
    return made


def _positions(rows: Sequence[Row], left: float, right: float) -> tuple[float, ...]:
    """To scale along the pipe where every distance is known, but never too close to tell apart."""
    n = len(rows)
    if n == 1:
        return ((left + right) / 2,)
    known = all(r.get("distance_m") is not None for r in rows)
    metres = [float(r["distance_m"]) for r in rows] if known else list(map(float, range(n)))
    total = (metres[-1] - metres[0]) or 1.0
    least = (right - left) / (n - 1) * 0.6
    free = right - left - least * (n - 1)
    return tuple(left + least * i + free * (m - metres[0]) / total for i, m in enumerate(metres))


def _text(
    x: float, y: float, text: str, size: float = LABEL_SIZE, anchor: str = "middle", bold: bool = False
) -> String:
    return String(
        x, y, drawable(text), fontName=BOLD if bold else BODY, fontSize=size, textAnchor=anchor, fillColor=INK
    )


def _grid(frame: Frame) -> list[Any]:
    step = 20 if frame.high - frame.low > 60 else 10
    shapes: list[Any] = []
    level = frame.low
    while level <= frame.high + 1e-6:
        y = frame.y(level)
        shapes.append(Line(LEFT, y, frame.width - RIGHT, y, strokeColor=LINE, strokeWidth=0.35))
        shapes.append(_text(LEFT - 4, y - 2.2, f"{level:g}", SMALL_SIZE, "end"))
        level += step
    shapes.append(_text(LEFT - 4, frame.y(frame.high) + 8, "dB", SMALL_SIZE, "end"))
    return shapes


def look_of(row: Row) -> str:
    """What a channel looks like: hole, reference, source, contested, spill, open, untested or still."""
    if row.get("level_db") is None or row.get("baseline_db") is None:
        return "hole"
    if row["kind"] == "reference":
        return "reference"
    if row.get("reason") == "open":
        return "open"
    known = {"passing": "source", "contested": "contested", "spill": "spill", "not testable": "untested"}
    return known.get(str(row.get("verdict")), "still")


_FILLS = {"source": grey(0.15), "spill": MASS, "open": BAND, "contested": MASS}


def _column(row: Row, x: float, frame: Frame) -> list[Any]:
    look, half = look_of(row), frame.half * (0.5 if row["kind"] == "reference" else 1)
    if look == "hole":
        floor = frame.y(frame.low)
        return [
            Rect(x - half, floor, 2 * half, 26, fillColor=None, strokeColor=SOFT, strokeDashArray=[2, 2]),
            _text(x, floor + 9, "?", LABEL_SIZE + 2),
        ]
    base, top = frame.y(float(row["baseline_db"])), frame.y(float(row["level_db"]))
    low, tall = min(base, top), abs(top - base)
    dash = [2, 1.5] if look == "untested" else None
    shapes: list[Any] = [
        Rect(x - half - 5, base - 1.6, 2 * half + 10, 3.2, fillColor=BAND, strokeColor=None),
        Rect(
            x - half, low, 2 * half, max(tall, 0.1), fillColor=_FILLS.get(look), strokeColor=INK,
            strokeWidth=0.5, strokeDashArray=dash,
        ),
    ]  # fmt: skip
    if look == "contested":
        shapes += [
            Line(x - half, low + d, x + half, low + d, strokeColor=grey(1)) for d in range(3, int(tall), 5)
        ]
    if row.get("l10_db") is not None:
        end = frame.y(float(row["l10_db"]))
        shapes.append(Line(x, top, x, end, strokeColor=INK, strokeWidth=0.5))
        shapes.append(Line(x - 2.5, end, x + 2.5, end, strokeColor=INK, strokeWidth=0.5))
    shapes.append(Line(x - half - 1.5, top, x + half + 1.5, top, strokeColor=INK, strokeWidth=1.8))
    return shapes


def _expected(rows: Sequence[Row], frame: Frame) -> list[Any]:
    """What the explanation expects each channel to hear, where it expects more than the background."""
    points = [
        (x, frame.y(float(r["expected_db"])))
        for r, x in zip(rows, frame.x, strict=True)
        if r.get("expected_db") is not None
    ]
    louder = any(
        r.get("expected_db") is not None
        and r.get("baseline_db") is not None
        and float(r["expected_db"]) > float(r["baseline_db"]) + 1
        for r in rows
    )
    if len(points) < 2 or not louder:
        return []
    flat = [value for point in points for value in point]
    line = PolyLine(flat, strokeColor=INK, strokeWidth=0.6, strokeDashArray=[3, 2])
    marks = [
        Polygon(
            [x, y + 2.2, x + 2.2, y, x, y - 2.2, x - 2.2, y],
            fillColor=grey(1),
            strokeColor=INK,
            strokeWidth=0.5,
        )
        for x, y in points
    ]
    return [line, *marks]


def _pipe(rows: Sequence[Row], frame: Frame) -> list[Any]:
    """The pipe with a bow tie for each valve and a dot for each reference point."""
    at = BOTTOM - 12
    shapes: list[Any] = [
        Line(LEFT - 6, y, frame.width, y, strokeColor=SOFT, strokeWidth=0.6) for y in (at - 1.6, at + 1.6)
    ]
    for row, x in zip(rows, frame.x, strict=True):
        if row["kind"] == "reference":
            shapes.append(Circle(x, at, 2.6, fillColor=grey(1), strokeColor=INK, strokeWidth=0.8))
            continue
        w, h = min(5.5, frame.half), 4.2
        tie = [x - w, at - h, x - w, at + h, x + w, at - h, x + w, at + h]
        fill = grey(1) if row.get("reason") == "open" else INK
        shapes.append(Polygon(tie, fillColor=fill, strokeColor=INK, strokeWidth=0.8))
    return shapes


def _labels(rows: Sequence[Row], frame: Frame) -> list[Any]:
    """Tag, verdict and rise under each channel; turned where they would run into each other."""
    names = [str(r["valve"] or r["channel"]) for r in rows]
    words = [_word(r) for r in rows]
    wide = max(width_of(t, LABEL_SIZE) for t in [*names, *words])
    if wide > frame.step - 3:
        return [_turned(name, x) for name, x in zip(names, frame.x, strict=True)]
    shapes = []
    for name, word, row, x in zip(names, words, rows, frame.x, strict=True):
        rise = row.get("rise_db")
        shapes.append(_text(x, BOTTOM - 26, name, LABEL_SIZE, bold=True))
        shapes.append(_text(x, BOTTOM - 34.5, word, SMALL_SIZE))
        shapes.append(_text(x, BOTTOM - 42.5, "" if rise is None else f"{float(rise):+.1f} dB", SMALL_SIZE))
    return shapes


def _turned(name: str, x: float) -> Any:
    turned = Group(_text(0, 0, name, SMALL_SIZE, "end"))
    turned.translate(x + 2, BOTTOM - 19)
    turned.rotate(55)
    return turned


def _word(row: Row) -> str:
    if row["kind"] == "reference":
        return "reference"
    if row.get("verdict") == "not testable":
        return str(row.get("reason") or "not testable")
    return str(row.get("verdict") or "unknown")


def _peaks(rows: Sequence[Row], frame: Frame) -> list[Any]:
    """The source's name over its peak."""
    shapes = []
    for row, x in zip(rows, frame.x, strict=True):
        if look_of(row) not in ("source", "contested") or row.get("rise_db") is None:
            continue
        top = frame.y(max(float(row["level_db"]), float(row.get("l10_db") or row["level_db"])))
        text = f"{row['valve']} {row['verdict']}, {float(row['rise_db']):+.0f} dB"
        half = width_of(text, LABEL_SIZE + 0.5, BOLD) / 2
        middle = min(max(x, LEFT + half), frame.width - RIGHT - half)
        shapes.append(_text(middle, top + 6, text, LABEL_SIZE + 0.5, bold=True))
    return shapes
