"""Writes service/docs/settings.md from the settings classes, so that the page cannot fall behind the program.

    python tests/project/settings_page.py           writes the page
    python tests/project/settings_page.py --check   exit 1 if the page is not what would be written

Meanings come from the docstrings of the settings classes (`Attributes:`) where they have them, else from the
comment above the setting in the example site.
"""

from __future__ import annotations

import dataclasses
import inspect
import re
import sys
import typing
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from hissmark.engine.ranges import range_of, unit_of
from hissmark.site.settings import SiteSettings

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "service" / "docs" / "settings.md"
EXAMPLE = ROOT / "config" / "site.toml"

HEAD = """\
# Settings

Everything that `site.toml` may hold. What is not written there has the default shown here. The example site
(`config/site.toml`) has them with comments; `hissmark check SITE` names every mistake with its line.
This page is generated from the program.
"""

#: Settings that the example explains together with others.
TOGETHER = {
    ("mqtt", "username"): "The user the broker knows us as.",
    ("mqtt", "password_file"): "File that holds the password alone; read again on each connect.",
    ("mqtt", "tls"): "Encrypt, and believe the authorities of the operating system if `ca_file` names none.",
    ("mqtt", "ca_file"): "Authority that signed the broker's certificate (PEM). Implies encryption.",
    ("mqtt", "cert_file"): "Our own certificate (PEM), if the broker asks for one.",
    ("mqtt", "key_file"): "The private key to `cert_file`.",
    ("mqtt.source", "filter"): "MQTT topic filter: `+` stands for one level, `#` for all that follow.",
    ("mqtt.source", "qos"): "1 loses nothing; 0 is cheaper and may lose messages.",
    ("mqtt.source", "format"): "SenML packs (RFC 8428), JSON (one value a message), or Sparkplug B 3.0.",
    ("mqtt.source", "value"): "`json` only: JSON Pointer (RFC 6901) to the value.",
    ("mqtt.source", "time"): "`json` only: JSON Pointer to the time; without one, the time of receipt.",
    ("mqtt.source", "name"): "`json` only: the name, from topic levels counted from 0, e.g. `{1}/{3}`. "
    "Without it the whole topic is the name.",
    ("condition", "name"): "What it is called on the pages.",
    ("condition", "when"): "A process tag compared with a number.",
    ("condition", "groups"): "The groups it concerns; none means all.",
    ("suppress", "name"): "What it is called on the pages.",
    ("suppress", "when"): "A process tag compared with a number.",
    ("suppress", "groups"): "The groups it concerns; neither groups nor valves means all.",
    ("suppress", "valves"): "The valves it concerns.",
    ("suppress", "alarms"): "The alarms that are held back.",
}  # fmt: skip


@dataclasses.dataclass(frozen=True)
class Setting:
    """One setting: where it stands, which class reads it, its type and default."""

    table: str
    name: str
    owner: Any
    kind: Any
    default: Any

    @property
    def required(self) -> bool:
        return self.default in (dataclasses.MISSING, PydanticUndefined)

    @property
    def meaning(self) -> str:
        said = comments(self.table) | attributes(self.owner)
        return TOGETHER.get((self.table, self.name), said.get(self.name, ""))


@dataclasses.dataclass(frozen=True)
class Table:
    """One table of site.toml; `many` if there may be several."""

    name: str
    kind: Any
    many: bool

    @property
    def heading(self) -> str:
        if not self.name:
            return "Top of the file"
        return f"[[{self.name}]]" if self.many else f"[{self.name}]"


def tables(kind: Any = SiteSettings, name: str = "", many: bool = False) -> Iterator[Table]:
    """Every table, the outer before the inner."""
    yield Table(name, kind, many)
    for field, hint, _ in fields(kind):
        inner, several = table_in(hint)
        if inner is not None:
            yield from tables(inner, f"{name}.{field}" if name else field, several)


def settings(table: Table) -> Iterator[Setting]:
    """The settings that stand in one table itself."""
    for name, hint, default in fields(table.kind):
        if table_in(hint)[0] is None:
            yield Setting(table.name, name, table.kind, plain(hint), default)


def fields(kind: Any) -> Iterator[tuple[str, Any, Any]]:
    """Name, type and default of each field of a pydantic table or a dataclass."""
    hints = typing.get_type_hints(kind, include_extras=True)
    if issubclass(kind, BaseModel):
        for name, model_field in kind.model_fields.items():
            yield name, hints[name], model_field.default
    else:
        for field in dataclasses.fields(kind):
            yield field.name, hints[field.name], field.default


def plain(hint: Any) -> Any:
    """A type without `Annotated` and `None`."""
    if get_origin(hint) is typing.Annotated:
        return plain(get_args(hint)[0])
    choices = [part for part in get_args(hint) if part is not type(None)]
    if type(None) in get_args(hint) and len(choices) == 1:
        return plain(choices[0])
    return hint


def table_in(hint: Any) -> tuple[Any, bool]:
    """The class behind a field that is a table (or a list of them: True); None for a plain setting."""
    kind = plain(hint)
    many = get_origin(kind) is tuple
    kind = plain(get_args(kind)[0]) if many else kind
    is_table = isinstance(kind, type) and (issubclass(kind, BaseModel) or dataclasses.is_dataclass(kind))
    return (kind, many) if is_table else (None, False)


def page() -> str:
    return "\n".join([HEAD, *("\n".join(_section(table)) for table in tables())])


def _section(table: Table) -> Iterator[str]:
    rows = list(settings(table))
    if not rows:
        return
    yield f"## {table.heading}\n"
    if table.name:
        about = inspect.cleandoc(table.kind.__doc__ or "").split("\n\n")[0].replace("``", "`")
        yield _sentence(" ".join(re.sub(r"^`\[+[\w.]+\]+`: ", "", about).split())) + "\n"
    yield "| setting | may be | default | means |"
    yield "|---|---|---|---|"
    for row in rows:
        default = "**required**" if row.required else shown(row.default)
        yield f"| `{row.name}` | {may_be(row)} | {default} | {row.meaning} |"
    yield ""


def may_be(row: Setting) -> str:
    """``1 to 65535``, ``"json" or "console"``, ``text``: what the value may be."""
    kind = row.kind
    if get_origin(kind) is tuple:
        return f"list of {_type(plain(get_args(kind)[0]))}"
    if kind in (int, float):
        low, high = _limits(row)
        return f"{low:.12g} to {high:.12g}{unit_of(row.name)}"
    return _type(kind)


def _type(kind: Any) -> str:
    if get_origin(kind) is Literal:
        return " or ".join(f"`{_toml(choice)}`" for choice in get_args(kind))
    return {str: "text", bool: "true or false", int: "number", float: "number"}[kind]


def _limits(row: Setting) -> tuple[float, float]:
    if not issubclass(row.owner, BaseModel):
        return range_of(row.owner, row.name)
    marks = row.owner.model_fields[row.name].metadata
    low = next(getattr(m, a) for m in marks for a in ("ge", "gt") if hasattr(m, a))
    high = next(getattr(m, a) for m in marks for a in ("le", "lt") if hasattr(m, a))
    return low, high


def shown(value: Any) -> str:
    return "none" if value is None or value == () else f"`{_toml(value)}`"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else str(value)


@cache
def attributes(kind: type) -> dict[str, str]:
    """Name -> meaning, from the Attributes sections of a class and what it is built on."""
    found: dict[str, str] = {}
    for owner in reversed(kind.__mro__):
        text = inspect.cleandoc(owner.__doc__ or "").partition("Attributes:")[2]
        for name, said in re.findall(r"^ {4}`?(\w+)`?: (.*(?:\n {8}.*)*)", text, re.M):
            found[name] = _sentence(" ".join(said.replace("``", "`").split()))
    return found


def _sentence(text: str) -> str:
    return (text[:1].upper() + text[1:]).replace("|", "\\|")


@cache
def comments(table: str) -> dict[str, str]:
    """Name -> comment above it in the example site, for one table ('' is the top of the file)."""
    found: dict[str, str] = {}
    here, block, used = "", list[str](), False
    for row in EXAMPLE.read_text("utf-8").splitlines():
        head = re.fullmatch(r"#? ?\[\[?([\w.]+)\]?\]", row)
        setting = re.match(r"#? ?(\w+) = ", row)
        if head:
            here, block = head[1], []
        elif setting and here == table and block:
            found.setdefault(setting[1], _meaning(block))
        elif row.startswith("# "):
            block = [row[2:]] if used else [*block, row[2:]]
        elif not row:
            block = []
        used = bool(setting)
    return found


def _meaning(block: list[str]) -> str:
    """One sentence or more, without the unit that stands first (it has a column of its own)."""
    return _sentence(re.sub(r"^(?:s|days|dB)\. ", "", " ".join(block)))


def main() -> int:
    if "--check" in sys.argv:
        if PAGE.exists() and PAGE.read_text("utf-8") == page():
            return 0
        print("service/docs/settings.md is not up to date: run python tests/project/settings_page.py")
        return 1
    PAGE.write_text(page(), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
