"""A report as PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Spacer  # type: ignore[import-untyped]

from hissmark.paper import ink
from hissmark.paper.sheet import Paper, grid, pdf, room, text
from hissmark.reports.parts import Grid, Heading, Part, Picture, Words

_STYLES = {1: ink.TITLE, 2: ink.HEADING, 3: ink.SUBHEADING}
_KEEP = 120.0
"""Room that a heading needs below it, so that it does not stand alone at the foot of a page."""


def as_pdf(parts: Sequence[Part], *, title: str, foot: str, paper: Paper) -> bytes:
    """All parts on as many pages as they need."""
    width, _ = room(paper)
    flowables = [f for part in parts for f in _flowables(part, width)]
    return pdf(flowables, title=title, foot=foot, paper=paper)


def _flowables(part: Part, width: float) -> Iterator[Flowable]:
    match part:
        case Heading():
            yield CondPageBreak(_KEEP if part.level < 3 else 2 * _KEEP)
            yield text(part.text, _STYLES[part.level])
        case Words():
            yield text(part.text, ink.CAUTION if part.caution else ink.STRONG if part.strong else ink.TEXT)
        case Grid():
            yield grid(part.columns, part.rows, [width * w for w in part.widths], right=part.right)
            yield Spacer(0, 4)
        case Picture():
            yield KeepTogether([text(part.caption, ink.SMALL), part.draw(width), Spacer(0, 2)])
