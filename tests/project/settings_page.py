"""Writes service/docs/settings.md from the settings classes, so that the page cannot fall behind the program.

    python tests/project/settings_page.py           writes the page
    python tests/project/settings_page.py --check   exit 1 if the page is not what would be written

Meanings of the computation's settings come from the docstrings of hissmark.engine.settings; those of the
deployment's tables from the comments of the example site, which stand above each setting there.
"""

from __future__ import annotations

import dataclasses
import inspect
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from hissmark.engine.settings import (
    AlarmSettings,
    BaselineSettings,
    ConditionRule,
    JudgeSettings,
    SignalSettings,
)
from hissmark.site import settings as site
from hissmark.site.ranges import range_of, unit_of
from hissmark.site.tables import FromTable

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "service" / "docs" / "settings.md"
EXAMPLE = ROOT / "config" / "site.toml"

HEAD = """\
# Settings

Everything that `site.toml` may hold. What is not written there has the default shown here. The example site
(`config/site.toml`) has all of them with comments; `hissmark check SITE` names every mistake with its line.
This page is generated from the program.
"""

CORE = (
    ("signal", "How samples become one steady level a tick.", SignalSettings),
    ("baseline", "How the background of a channel is learned and how fast it may move.", BaselineSettings),
    ("judge", "How the explanations of a group's rises are compared.", JudgeSettings),
    ("alarms", "When a verdict becomes an alarm and when the alarm returns to normal.", AlarmSettings),
)


def page() -> str:
    """The whole page."""
    parts = [HEAD, "\n".join(_top_level())]
    parts += ["\n".join(_deployment(table, kind)) for table, kind in deployment_tables()]
    parts += ["\n".join(_core(table, text, kind)) for table, text, kind in CORE]
    parts.append("\n".join(_conditions()))
    return "\n".join(parts)


def deployment_tables() -> Iterator[tuple[str, type]]:
    """Tables of site.toml that are not the computation's, with the class that reads each."""
    yield "mqtt", site.MqttTable
    yield "mqtt.source", site.SourceSettings
    for name, field in site.SiteSettings.model_fields.items():
        core = any(isinstance(mark, FromTable) for mark in field.metadata)
        kind = field.annotation
        if not core and isinstance(kind, type) and issubclass(kind, site.Table):
            yield name, kind


def _top_level() -> Iterator[str]:
    yield "## Top of the file\n"
    yield from _header()
    yield f"| `name` | text | **required** | {comments('')['name']} |\n"


def _header() -> Iterator[str]:
    yield "| setting | may be | default | means |"
    yield "|---|---|---|---|"


def _deployment(table: str, kind: Any) -> Iterator[str]:
    yield f"## [[{table}]]\n" if table == "mqtt.source" else f"## [{table}]\n"
    yield from _header()
    said = comments(table)
    for name, field in kind.model_fields.items():
        if name == "source":
            continue
        default = "**required**" if field.is_required() else shown(field.default)
        yield f"| `{name}` | {kind_text(field, name)} | {default} | {said.get(name, '')} |"
    yield ""


def kind_text(field: Any, name: str) -> str:
    """``1 to 65535``, ``"json" or "console"``, ``text``: what the value may be."""
    kind = next((k for k in get_args(field.annotation) if k is not type(None)), field.annotation)
    if get_origin(field.annotation) is Literal:
        kind = field.annotation
    if get_origin(kind) is Literal:
        return " or ".join(f"`{_toml(choice)}`" for choice in get_args(kind))
    limits = {type(m).__name__: m for m in field.metadata}
    if kind in (int, float) and limits:
        low = next((getattr(m, a) for m in limits.values() for a in ("ge", "gt") if hasattr(m, a)), "")
        high = next((getattr(m, a) for m in limits.values() for a in ("le", "lt") if hasattr(m, a)), "")
        return f"{low} to {high}{unit_of(name)}"
    return {str: "text", bool: "true or false", int: "whole number", float: "number"}.get(kind, "text")


def shown(value: Any) -> str:
    return "none" if value is None or value == () else f"`{_toml(value)}`"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def _core(table: str, text: str, kind: type) -> Iterator[str]:
    yield f"## [{table}]\n"
    yield text + "\n"
    yield from _header()
    said = attributes(kind)
    for field in dataclasses.fields(kind):  # type: ignore[arg-type]
        low, high = range_of(kind, field.name)
        may_be = f"{low:.12g} to {high:.12g}{unit_of(field.name)}"
        yield f"| `{field.name}` | {may_be} | `{field.default}` | {said[field.name]} |"
    yield ""


def _conditions() -> Iterator[str]:
    yield "## [[condition]]\n"
    text = " ".join(inspect.getdoc(ConditionRule).split())  # type: ignore[union-attr]
    yield text.replace("``", "`") + "\n"
    yield from _header()
    said = {"name": "What it is called on the pages.", "when": "A process tag compared with a number.",
            "groups": "The groups it concerns; none means all."}  # fmt: skip
    for field in dataclasses.fields(ConditionRule):
        default = "**required**" if field.default is dataclasses.MISSING else shown(field.default)
        kind = "list of texts" if field.name == "groups" else "text"
        yield f"| `{field.name}` | {kind} | {default} | {said[field.name]} |"


def attributes(kind: type) -> dict[str, str]:
    """Name -> meaning, from the Attributes section of a docstring."""
    text = (inspect.getdoc(kind) or "").partition("Attributes:")[2]
    entries = re.findall(r"^ {4}(\w+): (.*(?:\n {8}.*)*)", text, re.M)
    return {name: _sentence(" ".join(said.split())) for name, said in entries}


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


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
    ("mqtt.source", "format"): "SenML packs (RFC 8428), or plain JSON with one value a message.",
    ("mqtt.source", "value"): "`json` only: JSON Pointer (RFC 6901) to the value.",
    ("mqtt.source", "time"): "`json` only: JSON Pointer to the time; without one, the time of receipt.",
    ("mqtt.source", "name"): "`json` only: the name, from topic levels counted from 0, e.g. `{1}/{3}`. "
    "Without it the whole topic is the name.",
    ("http", "host"): "Address the page, API and metrics are served on.",
    ("http", "port"): "Port the page, API and metrics are served on.",
    ("http", "beyond_this_machine"): "States that a `host` other than this machine is meant: the page asks "
    "for no password, so put a proxy with sign-in in front.",
}  # fmt: skip


def comments(table: str) -> dict[str, str]:
    """Name -> comment above it in the example site, for one table ('' is the top of the file)."""
    found: dict[str, str] = {}
    here, block, used = "", list[str](), False
    for row in EXAMPLE.read_text("utf-8").splitlines():
        head = re.fullmatch(r"#?\[\[?([\w.]+)\]?\]", row)
        setting = re.match(r"#?(\w+) = ", row)
        if head:
            here, block = head[1], []
        elif setting and here == table and block:
            found.setdefault(setting[1], _meaning(block))
        elif row.startswith("# "):
            block = [row[2:]] if used else [*block, row[2:]]
        elif not row:
            block = []
        used = bool(setting)
    return found | {name: text for (where, name), text in TOGETHER.items() if where == table}


def _meaning(block: list[str]) -> str:
    """One sentence or more, without the unit that stands first (it has a column of its own)."""
    return _sentence(re.sub(r"^(?:s|days|dB)\. ", "", " ".join(block))).replace("|", "\\|")


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
