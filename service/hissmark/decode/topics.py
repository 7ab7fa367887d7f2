"""MQTT topic filters: are they well formed, and which topics do they match (MQTT 5.0, 4.7)."""

from __future__ import annotations

MAX_TOPIC_BYTES = 65535


def check_filter(text: str) -> None:
    """Raise ValueError with what is wrong, if `text` is no valid topic filter."""
    if not text:
        raise ValueError("filter: is empty; give the topics to listen to, e.g. plant/+/levels")
    if "\0" in text or len(text.encode("utf-8", "surrogatepass")) > MAX_TOPIC_BYTES:
        raise ValueError("filter: holds a NUL character or is longer than 65535 bytes")
    if text.startswith("$share/") and len(text.split("/", 2)) < 3:
        raise ValueError(f"filter: {text!r}: a shared subscription is $share/GROUP/FILTER")
    levels = topic_part(text).split("/")
    for position, level in enumerate(levels):
        if "#" in level and (level != "#" or position != len(levels) - 1):
            raise ValueError(f"filter: {text!r}: '#' must be the last level, alone")
        if "+" in level and level != "+":
            raise ValueError(f"filter: {text!r}: '+' must stand alone between slashes")


def topic_part(text: str) -> str:
    """The filter proper, without the `$share/group/` of a shared subscription."""
    if text.startswith("$share/"):
        parts = text.split("/", 2)
        return parts[2] if len(parts) == 3 else text
    return text


def matches(filter_text: str, topic: str) -> bool:
    """Whether a topic falls under a filter. A leading wildcard leaves out topics that begin with `$`."""
    wanted = topic_part(filter_text).split("/")
    levels = topic.split("/")
    if topic.startswith("$") and wanted[0] in ("+", "#"):
        return False
    for position, level in enumerate(wanted):
        if level == "#":
            return True
        if position >= len(levels) or (level not in ("+", levels[position])):
            return False
    return len(levels) == len(wanted)
