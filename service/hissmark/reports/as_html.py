"""A report as one HTML document that needs nothing else: pictures and style are inside."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from html import escape

from reportlab.graphics import renderSVG  # type: ignore[import-untyped]

from hissmark.reports.parts import Grid, Heading, Part, Picture, Words

WIDTH = 560.0
SHORT = 20
"""A cell with no more characters is not broken over lines."""
STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 "DejaVu Sans", Verdana, sans-serif; color: #000; background: #fff; max-width: 46rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.6rem; margin: 0 0 .2rem; } h2 { font-size: 1.15rem; margin: 1.6rem 0 .4rem; border-top: 1px solid #999; padding-top: .7rem; }
h3 { font-size: 1rem; margin: 1.1rem 0 .2rem; }
p { margin: .3rem 0; } .strong { font-weight: 700; font-size: 1.05rem; }
.caution { border: 1px solid #000; padding: .6rem .8rem; margin-top: 1.4rem; }
table { border-collapse: collapse; width: 100%; font-size: .86rem; margin: .4rem 0; }
th { text-align: left; font-weight: 400; border-bottom: 1.5px solid #000; } td { border-bottom: 1px solid #bbb; vertical-align: top; }
th, td { padding: .2rem .5rem .2rem 0; } .n { text-align: right; } .w { white-space: nowrap; }
.table { overflow-x: auto; } figure { margin: .5rem 0; break-inside: avoid; } figcaption { font-size: .82rem; }
svg { display: block; width: 100%; height: auto; }
@media print { body { font-size: 9.5pt; margin: 0; max-width: none; } h2, h3 { break-after: avoid; } svg, tr { break-inside: avoid; } }
"""  # noqa: E501


def as_html(parts: Sequence[Part], *, title: str) -> bytes:
    """The document, UTF-8."""
    body = "\n".join(piece for part in parts for piece in _pieces(part))
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    text = (
        f'<!doctype html>\n<html lang="en"><head>{head}<title>{escape(title)}</title>'
        f"<style>{STYLE}</style></head>\n<body><main>\n{body}\n</main></body></html>\n"
    )
    return text.encode("utf-8")


def _pieces(part: Part) -> Iterator[str]:
    match part:
        case Heading():
            yield f"<h{part.level}>{escape(part.text)}</h{part.level}>"
        case Words():
            name = "caution" if part.caution else "strong" if part.strong else ""
            yield f'<p class="{name}">{escape(part.text)}</p>' if name else f"<p>{escape(part.text)}</p>"
        case Grid():
            yield _table(part)
        case Picture():
            yield f"<figure><figcaption>{escape(part.caption)}</figcaption>{_svg(part)}</figure>"


def _table(part: Grid) -> str:
    def cell(tag: str, i: int, text: str) -> str:
        scope = ' scope="col"' if tag == "th" else ""
        names = ("n " if i in part.right else "") + ("w" if len(text) <= SHORT else "")
        return f'<{tag}{scope} class="{names.strip()}">{escape(text)}</{tag}>'

    head = "".join(cell("th", i, c) for i, c in enumerate(part.columns))
    rows = "".join(
        "<tr>" + "".join(cell("td", i, c) for i, c in enumerate(row)) + "</tr>" for row in part.rows
    )
    return f'<div class="table"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _svg(part: Picture) -> str:
    """The drawing as SVG inside the page: without the head of a document of its own."""
    drawn = renderSVG.drawToString(part.draw(WIDTH))
    inner = re.sub(r"^.*?(?=<svg)", "", drawn, flags=re.S)
    inner = re.sub(r"<(title|desc)>.*?</\1>|<title ?/>|<desc ?/>", "", inner, flags=re.S)
    inner = inner.replace("font-family: Body", "font-family: DejaVu Sans, Verdana, sans-serif")
    inner = inner.replace(
        "font-family: Bold", "font-weight: 700; font-family: DejaVu Sans, Verdana, sans-serif"
    )
    return inner.replace("<svg ", f'<svg role="img" aria-label="{escape(part.caption)}" ', 1)
