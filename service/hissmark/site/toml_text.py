"""Reads site.toml and goes on after a syntax error, so that one slip does not hide the others."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from hissmark.site.problems import Findings
from hissmark.site.toml_lines import Path, TomlLines

_AT_LINE = re.compile(r"\s*\(at line (\d+), column \d+\)$")
_AT_END = re.compile(r"\s*\(at end of document\)$")
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-]+)")
_MOST_SLIPS = 100
_SET_ASIDE = "set-aside-"


@dataclass
class TomlText:
    """A parsed TOML text with its line numbers; `broken` lists lines that could not be read."""

    data: dict[str, Any]
    lines: TomlLines
    broken: list[Path] = field(default_factory=list)


def parse_toml(raw: bytes, findings: Findings) -> TomlText:
    """Parse `raw`; every syntax error becomes a problem with its line, and the rest is read all the same."""
    text = _decode(raw, findings).replace("\r\n", "\n")
    lines = TomlLines(text)
    broken: list[Path] = []
    rows = text.split("\n")
    for _ in range(_MOST_SLIPS):
        try:
            data = tomllib.loads("\n".join(rows))
        except tomllib.TOMLDecodeError as slip:
            message, first, last = _place(str(slip), rows)
            findings.error(first + 1, "", f"not valid TOML: {message}.", _advice(rows[first]))
            broken.append(_path_of(rows[first]))
            _mend(rows, first, last)
        else:
            return TomlText({k: v for k, v in data.items() if not k.startswith(_SET_ASIDE)}, lines, broken)
    return TomlText({}, lines, [("name",)])


def _decode(raw: bytes, findings: Findings) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as slip:
        line = raw.count(b"\n", 0, slip.start) + 1
        findings.error(line, "", "this line is not UTF-8 text.", "Save the file as UTF-8.")
        return raw.decode("latin-1")


def _place(text: str, rows: list[str]) -> tuple[str, int, int]:
    """What the parser says, and the first and last row (from 0) to blame."""
    if match := _AT_LINE.search(text):
        row = min(int(match[1]), len(rows)) - 1
        message = text[: match.start()].rstrip(".")
        if not message.startswith("Unclosed"):
            return message, row, row
        first = _last_opening(rows[: row + 1])
        return message, first, max(first, row - 1)
    first = _last_opening(rows)
    return _AT_END.sub("", text).rstrip("."), first, first


def _last_opening(rows: list[str]) -> int:
    """The row in which the unclosed value begins: what stands above it parses."""
    for row in range(len(rows) - 1, -1, -1):
        if "=" not in rows[row] or rows[row].lstrip().startswith("#"):
            continue
        if _parses(rows[:row]) and not _parses(rows[: row + 1]):
            return row
    return len(rows) - 1


def _parses(rows: list[str]) -> bool:
    try:
        tomllib.loads("\n".join(rows))
    except tomllib.TOMLDecodeError:
        return False
    return True


def _advice(row: str) -> str:
    if "=" not in row and not row.lstrip().startswith("["):
        return "Write key = value; texts stand in double quotes."
    if re.search(r"=\s*[A-Za-z/]", row) and not re.search(r"=\s*(true|false)\b", row):
        return "Put texts in double quotes."
    if re.search(r"=\s*[-+]?\d+,\d+\s*$", row):
        return "Write decimals with a point."
    return ""


def _path_of(row: str) -> Path:
    """The key that a broken row meant to set (without its table), so that it is not called missing too."""
    key = row.split("=", 1)[0].strip()
    return (key,) if key else ()


def _mend(rows: list[str], first: int, last: int) -> None:
    """Repair a table header whose name can be read, or else set its table aside; blank any other row."""
    header = _HEADER.match(rows[first])
    if header is None:
        rows[first : last + 1] = [""] * (last + 1 - first)
        return
    mended = header[1] + header[2].strip(".") + "]" * len(header[1])
    rows[first] = mended if mended != rows[first].strip() else f"[{_SET_ASIDE}{first}]"
