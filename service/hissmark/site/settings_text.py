"""Turns site.toml into `SiteSettings` and puts every refusal into words, with its line."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any, get_args, get_type_hints

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from hissmark.engine.ranges import unit_of
from hissmark.site.problems import Findings, did_you_mean
from hissmark.site.settings import SiteSettings
from hissmark.site.tables import limits_of
from hissmark.site.toml_lines import Path
from hissmark.site.toml_text import TomlText

_MOST_ROUNDS = 50

_ADVICE: dict[str, str] = {
    "name": 'Write for instance: name = "North works"',
    "mqtt.host": 'Write for instance: host = "127.0.0.1"',
    "mqtt.client_id": "Give a stable name of its own: what arrives while we are away is kept under it.",
    "mqtt.source.filter": 'Write for instance: filter = "plant/+/levels"',
    "mqtt.source.qos": "Use 1 (nothing is lost) or 0 (may be lost); 2 acknowledges before data is stored.",
    "condition.name": 'Write for instance: name = "compressor on"',
    "condition.when": 'Write for instance: when = "K-101 > 50"',
    "mqtt.source": "Begin every source with [[mqtt.source]], in double brackets.",
    "condition": "Begin every condition with [[condition]], in double brackets.",
    "suppress.name": 'Write for instance: name = "unit shut down"',
    "suppress.when": 'Write for instance: when = "HS-100 < 1"',
    "suppress": "Begin every rule with [[suppress]], in double brackets.",
    "notify.webhook.name": 'Write for instance: name = "shift log"',
    "notify.webhook.url": 'Write for instance: url = "https://log.north.example/hissmark"',
    "notify.email.name": 'Write for instance: name = "reliability"',
    "notify.email.host": 'Write for instance: host = "mail.north.example"',
    "notify.email.sender": 'Write for instance: sender = "hissmark@north.example"',
    "notify.email.to": 'Write for instance: to = ["reliability@north.example"]',
    "notify.mqtt.name": 'Write for instance: name = "broker"',
    "notify.alertmanager.name": 'Write for instance: name = "on call"',
    "notify.alertmanager.url": 'Write for instance: url = "http://127.0.0.1:9093"',
    "notify.webhook": "Begin every receiver with [[notify.webhook]], in double brackets.",
    "notify.email": "Begin every receiver with [[notify.email]], in double brackets.",
    "notify.mqtt": "Begin every receiver with [[notify.mqtt]], in double brackets.",
    "notify.alertmanager": "Begin every receiver with [[notify.alertmanager]], in double brackets.",
}
_SECRETS = {
    "mqtt.password": 'Secrets do not belong here: write password_file = "FILE", the password goes into it.',
    "store.password": "Secrets do not belong here: give the address in the variable HISSMARK_STORE_URL.",
}
_PLACEHOLDERS: dict[str, str] = {
    "name": "unnamed",
    "mqtt.host": "127.0.0.1",
    "mqtt.client_id": "unnamed",
    "mqtt.source.filter": "unnamed/{index}",
    "condition.name": "unnamed {index}",
    "condition.when": "unnamed > 0",
    "suppress.name": "unnamed {index}",
    "suppress.when": "unnamed > 0",
    "notify.webhook.name": "unnamed webhook {index}",
    "notify.webhook.url": "http://127.0.0.1",
    "notify.email.name": "unnamed e-mail {index}",
    "notify.email.host": "127.0.0.1",
    "notify.email.sender": "unnamed",
    "notify.mqtt.name": "unnamed mqtt {index}",
    "notify.alertmanager.name": "unnamed alertmanager {index}",
    "notify.alertmanager.url": "http://127.0.0.1",
}


def read_settings(toml: TomlText, findings: Findings) -> SiteSettings | None:
    """The settings, with every mistake reported and its value left out; None if nothing usable is left."""
    for _ in range(_MOST_ROUNDS):
        try:
            return SiteSettings.model_validate(toml.data)
        except ValidationError as refused:
            for error in refused.errors(include_url=False):
                _report(error, toml, findings)
                _take_out(toml.data, error)
    return None


def _report(error: ErrorDetails, toml: TomlText, findings: Findings) -> None:
    path: Path = error["loc"]
    if error["type"] == "missing":
        if not any(b and b[-1] == path[-1] for b in toml.broken):
            line = toml.lines.table(path) or 1
            findings.error(line, dotted(path), "is required but missing.", _advice(path))
        return
    message, fix = _explain(error)
    findings.error(toml.lines.of(path), dotted(path), message, fix)


def dotted(path: Path) -> str:
    """``mqtt.source.filter``: how a setting is called, without places in lists."""
    return ".".join(part for part in path if isinstance(part, str))


def _advice(path: Path) -> str:
    return _ADVICE.get(dotted(path), "")


def _explain(error: ErrorDetails) -> tuple[str, str]:
    """What is wrong and what to do."""
    path, kind, value = error["loc"], error["type"], error["input"]
    context = error.get("ctx", {})
    match kind:
        case "extra_forbidden":
            return "is not a known setting.", _instead(path)
        case "greater_than_equal" | "less_than_equal" | "greater_than" | "less_than":
            return f"{value}{unit_of(str(path[-1]))} is out of range.", _range_advice(path)
        case "literal_error":
            return f"{value!r} is not known.", _advice(path) or f"Write one of: {context['expected']}."
        case "string_too_short":
            return "must not be empty.", _advice(path)
        case "string_pattern_mismatch" | "string_too_long":
            return f"{value!r} is too long or has invisible characters.", _advice(path)
        case "finite_number":
            return f"{value} is not a number to work with.", _range_advice(path)
    wanted = next(
        (text for start, text in _WANTED if kind.startswith(start)), f"cannot be used ({error['msg']})"
    )
    return f"{_shown(value)} {wanted}.", _advice(path) or _type_advice(kind, unit_of(str(path[-1])))


def _range_advice(path: Path) -> str:
    low, high = limits_of(_class_in(_type_at(path[:-1])), str(path[-1]))
    return f"Choose a value from {low:.12g} to {high:.12g}{unit_of(str(path[-1]))}."


_WANTED = (
    ("int", "is not a whole number"),
    ("float", "is not a number"),
    ("string", "is not a text"),
    ("bool", "is neither true nor false"),
    ("tuple", "is not a list of tables"),
    ("model", "is not a table"),
)


def _type_advice(kind: str, unit: str) -> str:
    """How to write a value of the wanted type; `unit` begins with a blank or is empty."""
    if kind.startswith(("int", "float")):
        whole = "a whole number" if kind.startswith("int") else "a number"
        return f"Write {whole}{f' in{unit}' if unit else ''}, without quotes."
    if kind.startswith("bool"):
        return "Write true or false, without quotes."
    return (
        "Put it in double quotes."
        if kind.startswith("string")
        else "Begin the table with its name in brackets."
    )


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _instead(path: Path) -> str:
    """What the writer of an unknown key may have meant."""
    if dotted(path) in _SECRETS:
        return _SECRETS[dotted(path)]
    key = str(path[-1])
    known = _keys_of(path[:-1])
    homes = [f"[{home}]" for home, keys in _homes() if key in keys]
    if homes:
        return f"It belongs into {' or '.join(homes)}."
    near = did_you_mean(key, known)
    if near:
        return near
    return f"Known here: {', '.join(sorted(known))}."


def _homes() -> Iterator[tuple[str, list[str]]]:
    for name in ("mqtt", "http", "store", "log", "notify", "signal", "baseline", "judge", "alarms"):
        yield name, _keys_of((name,))
    yield "alarms.priority", _keys_of(("alarms", "priority"))


def _keys_of(path: Path) -> list[str]:
    return list(_fields(_type_at(path)))


def _type_at(path: Path) -> Any:
    """The model or dataclass that the table at `path` is read into."""
    kind: Any = SiteSettings
    for part in path:
        if isinstance(part, str):
            kind = _fields(kind).get(part)
    return kind


def _fields(kind: Any) -> dict[str, Any]:
    """Field name -> annotation of a settings class; empty for anything else."""
    plain = _class_in(kind)
    if plain is None:
        return {}
    if issubclass(plain, BaseModel):
        return {name: field.annotation for name, field in plain.model_fields.items()}
    return dict(get_type_hints(plain))


def _class_in(kind: Any) -> Any:
    """The settings class behind an annotation: looks through options, lists and annotations."""
    if isinstance(kind, type) and (issubclass(kind, BaseModel) or dataclasses.is_dataclass(kind)):
        return kind
    return next((found for inner in get_args(kind) if (found := _class_in(inner)) is not None), None)


def _take_out(data: dict[str, Any], error: ErrorDetails) -> None:
    """Leave the refused value out (or fill in a stand-in), so that the rest can be checked."""
    path = error["loc"]
    holder: Any = data
    for part in path[:-1]:
        holder = holder[part]
    stand_in = _PLACEHOLDERS.get(dotted(path))
    index = next((part for part in path if isinstance(part, int)), 0)
    if isinstance(path[-1], int):
        holder[path[-1]] = _stand_in_table(dotted(path), index)
    elif stand_in is not None and error["type"] != "extra_forbidden":
        holder[path[-1]] = stand_in.format(index=index)
    else:
        holder.pop(path[-1], None)


def _stand_in_table(table: str, index: int) -> dict[str, str]:
    """A table that passes, in place of a list element that is none."""
    inside = {
        name.rpartition(".")[2]: text
        for name, text in _PLACEHOLDERS.items()
        if name.rpartition(".")[0] == table
    }
    return {key: text.format(index=index) for key, text in inside.items()}
