"""The sheet: A4 or Letter, margins, foot of the page; paragraphs, tables; the bytes of a PDF."""

from __future__ import annotations

import io
from collections.abc import Sequence
from html import escape
from typing import Any, Literal

from reportlab.lib.pagesizes import A4, LETTER  # type: ignore[import-untyped]
from reportlab.platypus import (  # type: ignore[import-untyped]
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepInFrame,
    PageTemplate,
    Paragraph,
    Table,
)

from hissmark.paper import ink

Paper = Literal["A4", "Letter"]
SIZES: dict[str, tuple[float, float]] = {"A4": A4, "Letter": LETTER}
MARGIN = 48.0
FOOT = 30.0


def paper_of(text: str) -> Paper:
    """The paper called so. Raises ValueError that lists what there is."""
    for name in SIZES:
        if text.strip().lower() == name.lower():
            return name  # type: ignore[return-value]
    raise ValueError(f"{text!r} is no paper; there is {' and '.join(SIZES)}")


def room(paper: Paper) -> tuple[float, float]:
    """Width and height between the margins, points."""
    width, height = SIZES[paper]
    return width - 2 * MARGIN, height - 2 * MARGIN - FOOT


def text(said: str, style: Any = ink.TEXT) -> Paragraph:
    """A paragraph of plain text; nothing in it is taken for markup."""
    return Paragraph(escape(ink.drawable(said)).replace("\n", "<br/>"), style)


def facts(rows: Sequence[tuple[str, str]], width: float, label_width: float = 92.0) -> Table:
    """Labels and values, two pairs a line where both are short."""
    cells = [[text(label, ink.LABEL), text(value, ink.CELL)] for label, value in rows]
    return _table(cells, [label_width, width - label_width], lines=False)


def grid(
    columns: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], right: Sequence[int] = ()
) -> Table:
    """A table with a head; the columns in `right` hold numbers."""
    head = [text(c, ink.HEAD_RIGHT if i in right else ink.HEAD) for i, c in enumerate(columns)]
    body = [[text(c, ink.NUMBER if i in right else ink.CELL) for i, c in enumerate(cells)] for cells in rows]
    return _table([head, *body], list(widths), lines=True)


def signatures(labels: Sequence[str], width: float) -> Table:
    """Lines to write on, with what belongs there below."""
    gap, each = 14.0, (width - 14.0 * (len(labels) - 1)) / len(labels)
    cells: list[Any] = []
    widths: list[float] = []
    for label in labels:
        cells += [text(label, ink.LABEL), ""]
        widths += [each, gap]
    made = _table([cells[:-1]], widths[:-1], lines=False)
    made.setStyle([("LINEABOVE", (i, 0), (i, 0), 0.6, ink.INK) for i in range(0, 2 * len(labels), 2)])
    return made


def _table(cells: list[list[Any]], widths: list[float], *, lines: bool) -> Table:
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6), ("TOPPADDING", (0, 0), (-1, -1), 1.4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
    ]  # fmt: skip
    if lines:
        style += [
            ("LINEBELOW", (0, 0), (-1, 0), 0.7, ink.INK), ("LINEBELOW", (0, 1), (-1, -1), 0.25, ink.LINE),
        ]  # fmt: skip
    return Table(cells, colWidths=widths, style=style, repeatRows=1 if lines else 0, hAlign="LEFT")


def height_of(parts: Sequence[Flowable], width: float) -> float:
    """How much of a page the parts take, points."""
    return sum(float(p.wrap(width, 1e6)[1] + max(p.getSpaceBefore(), p.getSpaceAfter())) for p in parts)


def pdf(parts: Sequence[Flowable], *, title: str, foot: str, paper: Paper, one_page: bool = False) -> bytes:
    """The parts on as many pages as they need, or shrunk onto one. The same parts give the same bytes."""
    ink.use_fonts()
    width, height = room(paper)
    out = io.BytesIO()
    document = BaseDocTemplate(
        out, pagesize=SIZES[paper], title=title, author="hissmark", subject=title, invariant=1, lang="en"
    )
    frame = Frame(MARGIN, MARGIN + FOOT, width, height, 0, 0, 0, 0, id="page")

    def finish(canvas: Any, made: Any) -> None:
        canvas.saveState()
        canvas.setStrokeColor(ink.LINE)
        canvas.line(MARGIN, MARGIN + 16, MARGIN + width, MARGIN + 16)
        canvas.setFont(ink.BODY, 6.8)
        canvas.setFillColor(ink.SOFT)
        canvas.drawString(MARGIN, MARGIN + 6, ink.drawable(foot))
        canvas.drawRightString(MARGIN + width, MARGIN + 6, f"page {made.page}")
        canvas.restoreState()

    document.addPageTemplates([PageTemplate(id="page", frames=[frame], onPage=finish)])
    body = [KeepInFrame(width, height, list(parts), mode="shrink")] if one_page else list(parts)
    document.build(body)
    return out.getvalue()
