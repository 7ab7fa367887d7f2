"""On which line of a TOML text each key and table stands; the standard parser does not tell."""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_KEY_PART = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*(\.)?""")
_OPENING, _CLOSING = "[{", "]}"


class TomlLines:
    """Line numbers of a TOML text by path, such as ``("mqtt", "source", 0, "filter")``."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._scan(text)

    def of(self, path: Path) -> int | None:
        """Line of `path`, or of the nearest table around it; None if nothing around it is written."""
        for end in range(len(path), 0, -1):
            if path[:end] in self._lines:
                return self._lines[path[:end]]
        return None

    def table(self, path: Path) -> int | None:
        """Line of the table that holds the key `path`: where a missing key belongs."""
        return self.of(path[:-1])

    def _scan(self, text: str) -> None:
        lines = text.split("\n")
        table: Path = ()
        row = 0
        while row < len(lines):
            line = lines[row].strip()
            if line.startswith("["):
                table = self._header(line, row + 1)
            elif line and not line.startswith("#"):
                keys, after = _keys(line)
                if keys and line[after:].lstrip().startswith("="):
                    self._note((*table, *keys), row + 1)
                row = _end_of_value(lines, row)
            row += 1

    def _header(self, line: str, number: int) -> Path:
        keys, _ = _keys(line.lstrip("["))
        path = self._inside_latest(keys[:-1])
        if keys:
            path = (*path, keys[-1])
        if line.startswith("[["):
            index = self._counts.get(path, 0)
            self._counts[path] = index + 1
            self._note(path, number)
            path = (*path, index)
        self._note(path, number)
        return path

    def _inside_latest(self, keys: list[str]) -> Path:
        """Resolve table names, stepping into the latest element of every array of tables on the way."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _note(self, path: Path, number: int) -> None:
        self._lines.setdefault(path, number)


def _keys(text: str) -> tuple[list[str], int]:
    """The dotted key that `text` begins with and where it ends."""
    keys: list[str] = []
    at = 0
    while match := _KEY_PART.match(text, at):
        keys.append(match[1][1:-1] if match[1][0] in "\"'" else match[1])
        at = match.end()
        if not match[2]:
            break
    return keys, at


def _end_of_value(lines: list[str], row: int) -> int:
    """Last row of the statement that begins in `row`: follows open brackets and multi-line strings."""
    depth, quote = 0, ""
    for number in range(row, len(lines)):
        depth, quote = _walk(lines[number], depth, quote)
        if depth <= 0 and not quote:
            return number
    return row


def _walk(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Bracket depth and open multi-line quote after `line`."""
    at = 0
    while at < len(line):
        if quote:
            end = _closing_quote(line, at, quote)
            if end < 0:
                return depth, quote if len(quote) == 3 else ""
            at, quote = end, ""
            continue
        character = line[at]
        if character == "#":
            break
        if character in "\"'":
            quote = character * 3 if line.startswith(character * 3, at) else character
            at += len(quote)
            continue
        depth += (character in _OPENING) - (character in _CLOSING)
        at += 1
    return depth, quote if len(quote) == 3 else ""


def _closing_quote(line: str, at: int, quote: str) -> int:
    """Position after the closing `quote` at or after `at`; -1 if it is not on this line."""
    while at < len(line):
        if line[at] == "\\" and quote[0] == '"':
            at += 2
        elif line.startswith(quote, at):
            return at + len(quote)
        else:
            at += 1
    return -1
