"""Fonts, greys and text sizes of everything on paper. One ink: what matters is told by shape and word."""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

from reportlab.lib.colors import Color  # type: ignore[import-untyped]
from reportlab.lib.enums import TA_RIGHT  # type: ignore[import-untyped]
from reportlab.lib.styles import ParagraphStyle  # type: ignore[import-untyped]
from reportlab.pdfbase import pdfmetrics  # type: ignore[import-untyped]
from reportlab.pdfbase.ttfonts import TTFont  # type: ignore[import-untyped]

BODY, BOLD = "Body", "Bold"
_SHIPPED = {BODY: "Vera.ttf", BOLD: "VeraBd.ttf"}
"""Bitstream Vera comes with reportlab: Western and parts of Central Europe."""
_WIDER = {BODY: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
"""The same design with many more letters; taken where the system has it (Debian: fonts-dejavu-core)."""
_FOLDERS = (Path("/usr/share/fonts/truetype/dejavu"), Path("/usr/share/fonts/dejavu-sans-fonts"))


def grey(share: float) -> Color:
    """From 0 (black) to 1 (white)."""
    return Color(share, share, share)


INK, SOFT, LINE, MASS, BAND, PALE = (grey(s) for s in (0.0, 0.35, 0.72, 0.55, 0.86, 0.94))


@cache
def use_fonts() -> frozenset[int]:
    """Make the fonts known; returns the characters they have. They are embedded in what is made."""
    fonts = [TTFont(name, str(file)) for name, file in _files().items()]
    for font in fonts:
        pdfmetrics.registerFont(font)
    pdfmetrics.registerFontFamily(BODY, normal=BODY, bold=BOLD, italic=BODY, boldItalic=BOLD)
    return frozenset(set.intersection(*(set(font.face.charToGlyph) for font in fonts)))


def _files() -> dict[str, Path]:
    for folder in _FOLDERS:
        found = {name: folder / file for name, file in _WIDER.items()}
        if all(file.is_file() for file in found.values()):
            return found
    shipped = Path(str(resources.files("reportlab"))) / "fonts"
    return {name: shipped / file for name, file in _SHIPPED.items()}


def drawable(text: str) -> str:
    """The text with a question mark for each character that the font does not have."""
    known = use_fonts()
    plain = text.replace("\u202f", "\u00a0").replace("\t", " ")
    return "".join(c if c in "\n" or ord(c) in known else "?" for c in plain)


def width_of(text: str, size: float, font: str = BODY) -> float:
    """Width in points."""
    use_fonts()
    return float(pdfmetrics.stringWidth(drawable(text), font, size))


def _style(name: str, size: float, leading: float, font: str = BODY, **more: object) -> ParagraphStyle:
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=leading, textColor=INK, **more)


TITLE = _style("title", 17, 21, BOLD, spaceAfter=2)
VERDICT = _style("verdict", 14, 18, BOLD, spaceBefore=4, spaceAfter=3)
HEADING = _style("heading", 10.5, 14, BOLD, spaceBefore=9, spaceAfter=3)
TEXT = _style("text", 8.6, 11.6, spaceAfter=3)
SUBHEADING = _style("subheading", 9.2, 12, BOLD, spaceBefore=7, spaceAfter=2)
STRONG = _style("strong", 9.6, 13, BOLD, spaceBefore=3, spaceAfter=3)
SMALL = _style("small", 7.4, 9.6)
CELL = _style("cell", 7.8, 9.8)
NUMBER = _style("number", 7.8, 9.8, alignment=TA_RIGHT)
HEAD = _style("head", 7.2, 9.2, spaceAfter=0)
HEAD_RIGHT = _style("head right", 7.2, 9.2, alignment=TA_RIGHT)
LABEL = _style("label", 7.4, 9.8)
CAUTION = _style(
    "caution", 8, 10.6, borderColor=INK, borderWidth=0.8, borderPadding=5, spaceBefore=11, leftIndent=6,
    rightIndent=6,
)  # fmt: skip
