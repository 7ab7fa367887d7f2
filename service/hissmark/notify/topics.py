"""The topic a notification is published under."""

from __future__ import annotations

from collections.abc import Mapping
from string import Formatter

PARTS = ("group", "valve", "alarm", "priority")


def check_topic(template: str) -> None:
    """Raises ValueError that says what is wrong with a topic template."""
    try:
        fields = [name for _, name, _, _ in Formatter().parse(template) if name is not None]
    except ValueError:
        raise ValueError(f"{template!r} has a brace without its partner") from None
    unknown = [name for name in fields if name not in PARTS]
    if unknown:
        raise ValueError(f"{{{unknown[0]}}} is not known in {template!r}")
    if "+" in template or "#" in template or "\0" in template or template.startswith("$"):
        raise ValueError(f"{template!r} is not a topic that can be published to")


def topic_of(template: str, entry: Mapping[str, object]) -> str:
    """The topic for one entry; what a name must not hold (``+ # /``) becomes ``-``."""
    parts = {name: _level(str(entry[name])) for name in PARTS}
    return template.format(**parts)


def _level(text: str) -> str:
    return "".join("-" if c in "+#/" or ord(c) < 32 else c for c in text)
