"""The examples of the manual, as they stand there."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

DOCS = Path(__file__).parents[2] / "service" / "docs"


def blocks(page: str, language: str) -> list[str]:
    """The code blocks of a page in one language, also those that are indented below a step."""
    text = (DOCS / page).read_text("utf-8")
    found = re.findall(rf"^([ ]*)```{language}\n(.*?)^\1```", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(body) for _, body in found]
