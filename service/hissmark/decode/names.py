"""Names of series: from topic levels by template, and the rules of RFC 8428 for names in packs."""

from __future__ import annotations

import re
from dataclasses import dataclass

_PLACE = re.compile(r"\{(\d+)\}")
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")

MAX_NAME_CHARS = 255


@dataclass(frozen=True, slots=True)
class NameTemplate:
    """A template such as `{1}/{3}`: each number is a level of the topic, counted from 0."""

    text: str
    levels: tuple[int, ...]

    @classmethod
    def parse(cls, text: str) -> NameTemplate:
        """Raises ValueError that says what is wrong with the template."""
        rest = _PLACE.sub("", text)
        if "{" in rest or "}" in rest:
            raise ValueError(f"name: {text!r}: braces may only hold a level number, e.g. {{1}}/{{3}}")
        levels = tuple(int(number) for number in _PLACE.findall(text))
        if not levels:
            raise ValueError(f"name: {text!r} holds no {{number}}, so every topic would give the same name")
        return cls(text, levels)

    def name(self, topic: str) -> str | None:
        """The name a topic gives; None if the topic has too few levels."""
        parts = topic.split("/")
        if max(self.levels) >= len(parts):
            return None
        return _PLACE.sub(lambda found: parts[int(found[1])], self.text)


def is_senml_name(name: str) -> bool:
    """RFC 8428, 4.5.1: A-Z a-z 0-9 - : . / _ only, first one alphanumeric. Length is ours."""
    return len(name) <= MAX_NAME_CHARS and _SENML_NAME.fullmatch(name) is not None


def is_storable_name(name: str) -> bool:
    """Whether a name taken from a topic can be stored and shown: not empty or huge, no control characters."""
    return 0 < len(name) <= MAX_NAME_CHARS and name.isprintable()
