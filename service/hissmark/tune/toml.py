"""What engineers tuned, as TOML to keep, compare and carry to another site."""

from __future__ import annotations

import tomllib
from typing import Any

from hissmark.engine.change import ChangeRefusedError, Level
from hissmark.engine.ranges import unit_of
from hissmark.engine.tuned import NAMES, check_value
from hissmark.tune.versions import Values

HEAD = """\
# Settings tuned for {site}, as they were on {when}.
# They win over site.toml, the narrower level first: valve, group, site.
"""


def to_toml(values: Values, site: str, when: str) -> str:
    """The settings by level; comments give the units."""
    lines = [HEAD.format(site=site, when=when)]
    for level in Level:
        for (at, subject), mine in sorted(values.items()):
            if at != level:
                continue
            lines.append(f"[{level.value}]" if level is Level.SITE else f"[{level.value}.{_quoted(subject)}]")
            lines += [
                f"{name} = {mine[name]:.12g}  #{unit_of(name) or ' no unit'}"
                for name in NAMES
                if name in mine
            ]
            lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def from_toml(text: str) -> Values:
    """What a file sets. Raises ChangeRefusedError that names what is wrong."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ChangeRefusedError(f"this is not TOML: {error}") from None
    values: Values = {}
    for key, table in data.items():
        if key not in (str(level) for level in Level):
            raise ChangeRefusedError(f"[{key}] is not known here; write [site], [group.NAME] or [valve.TAG]")
        if key == Level.SITE:
            values[key, ""] = _values(f"[{key}]", table)
            continue
        for subject, inner in _table(f"[{key}]", table).items():
            values[key, subject] = _values(f"[{key}.{subject}]", inner)
    return {place: mine for place, mine in values.items() if mine}


def _table(where: str, table: Any) -> dict[str, Any]:
    if not isinstance(table, dict):
        raise ChangeRefusedError(f"{where} must be a table")
    return table


def _values(where: str, table: Any) -> dict[str, float]:
    found = {}
    for name, value in _table(where, table).items():
        try:
            check_value(name, value)
        except ChangeRefusedError as error:
            raise ChangeRefusedError(f"{where}: {error}") from None
        found[name] = float(value)
    return found


def _quoted(name: str) -> str:
    text = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'
