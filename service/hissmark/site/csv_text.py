"""Reads a CSV as spreadsheets and people really write it: any usual encoding, separator and line end."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from hissmark.site.problems import Findings

_SEPARATORS = {";": "semicolon", "\t": "tab", ",": "comma"}


@dataclass(frozen=True, slots=True)
class Row:
    """One record and the line of the file on which it begins (from 1)."""

    line: int
    cells: list[str]


@dataclass(frozen=True, slots=True)
class CsvText:
    """Header and rows of a CSV; empty rows are left out."""

    separator: str
    header: Row
    rows: list[Row]


def read_csv(raw: bytes, known: frozenset[str], findings: Findings) -> CsvText | None:
    """Split `raw` into rows. `known` are column names by which the separator is recognised.

    Returns None (with a problem) when there is nothing to read.
    """
    text = _decode(raw, findings)
    separator = _sniff(text, known)
    rows = [row for row in _records(text, separator, findings) if any(cell.strip() for cell in row.cells)]
    if not rows:
        findings.error(1, "", "the file is empty.", "Write a header row, then one row a channel.")
        return None
    return CsvText(separator, rows[0], rows[1:])


def _decode(raw: bytes, findings: Findings) -> str:
    """UTF-8 (with or without byte order mark), UTF-16 as some spreadsheets export it, else Latin-1."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as slip:
        line = raw.count(b"\n", 0, slip.start) + 1
        findings.warning(
            line,
            "",
            "not UTF-8 from this line on; read as Latin-1.",
            "Save the file as UTF-8 to be sure of letters.",
        )
        return raw.decode("cp1252", errors="replace")


def _sniff(text: str, known: frozenset[str]) -> str:
    """The separator under which the header has the most known columns (then the most columns)."""
    header = next((line for line in text.splitlines() if line.strip()), "")

    def score(separator: str) -> tuple[int, int]:
        names = [name.strip().strip('"').strip().lower() for name in header.split(separator)]
        return sum(name in known for name in names), len(names)

    return max(_SEPARATORS, key=score)


def _records(text: str, separator: str, findings: Findings) -> Iterator[Row]:
    """Every record with its first line; after a broken one reading goes on in the next line."""
    lines = list(io.StringIO(text, newline=""))
    start = 0
    while start < len(lines):
        reader = csv.reader(lines[start:], delimiter=separator, strict=True)
        base, done = start, 0
        try:
            for cells in reader:
                yield Row(base + done + 1, cells)
                done = reader.line_num
            return
        except csv.Error as slip:
            findings.error(
                base + done + 1, "", _slip(str(slip), separator), 'Write a quote inside a quoted cell as "".'
            )
            start = base + done + 1


def _slip(text: str, separator: str) -> str:
    if "end of data" in text:
        return "a quote that opens in this row is never closed."
    if "expected after" in text:
        return f"after a closing quote a {_SEPARATORS[separator]} must follow."
    return f"this row cannot be read as CSV ({text})."
