"""Reads a CSV as spreadsheets and people really write it: any usual encoding, separator and line end."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass

from hissmark.site.problems import Findings

_WORKBOOKS = {b"PK\x03\x04": "workbook (.xlsx, .ods)", b"\xd0\xcf\x11\xe0": "workbook (.xls)"}
_SEP_LINE = re.compile(r'\ufeff?"?sep=([;,\t])"?[ \t]*(\r\n|\r|\n)', re.IGNORECASE)
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
    workbook = next((name for start, name in _WORKBOOKS.items() if raw.startswith(start)), None)
    if workbook:
        findings.error(
            None, "", f"this is a {workbook}, not a CSV.", "Save the sheet as CSV, and give that file."
        )
        return None
    text = _decode(raw, findings)
    if "\0" in text:
        findings.error(None, "", "this is not a text file.", "Save the sheet as CSV, UTF-8.")
        return None
    said, text = _said_separator(text)
    separator = said or _sniff(text, known)
    rows = [row for row in _records(text, separator, findings) if any(cell.strip() for cell in row.cells)]
    if not rows:
        findings.error(1, "", "the file is empty.", "Write a header row, then one row a channel.")
        return None
    header = Row(rows[0].line, _without_empty_end(rows[0].cells))
    return CsvText(separator, header, rows[1:])


def _said_separator(text: str) -> tuple[str | None, str]:
    """Some spreadsheets write ``sep=;`` above the header: the separator, and the text without that."""
    found = _SEP_LINE.match(text)
    return (found[1], text[found.end() - len(found[2]) :]) if found else (None, text)


def _without_empty_end(cells: list[str]) -> list[str]:
    """A header without the nameless columns that spreadsheets leave at its end."""
    count = next((i for i in range(len(cells), 0, -1) if cells[i - 1].strip()), 0)
    return cells[:count]


def _decode(raw: bytes, findings: Findings) -> str:
    """UTF-8 (with or without byte order mark), UTF-16 as some spreadsheets export it, else Latin-1."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    if len(raw) > 3 and raw[:2].count(0) == 1 and raw[2:4].count(0) == 1:  # two bytes a letter, unannounced
        return raw.decode("utf-16-be" if raw[0] == 0 else "utf-16-le", errors="replace")
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
