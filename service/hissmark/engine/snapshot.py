"""The engine's state as bytes and back, matched by name so that an edited register keeps what still fits."""

from __future__ import annotations

import io
import json
import zlib
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority

if TYPE_CHECKING:
    from hissmark.engine.engine import Engine

VERSION = 1
Names = list[str]


class SnapshotError(ValueError):
    """A saved engine state cannot be read; the message says why."""


def _parts(engine: Engine) -> list[tuple[str, Any, tuple[str, ...], str]]:
    """(prefix, object, attributes, axis): axis says what the arrays run over and where."""
    step = engine.stepper
    return [
        ("intake", engine.intake, engine.intake.STATE_INPUT, "input"),
        ("intake", engine.intake, engine.intake.STATE_GROUP, "group"),
        ("windows", step.windows, step.windows.STATE, "channel"),
        ("process", step.process, ("value", "low", "high"), "input"),
        ("baseline", step.baselines, step.baselines.STATE_CHANNEL, "channel"),
        ("baseline", step.baselines, step.baselines.STATE_GROUP, "group"),
        ("strangers", step.baselines.strangers, step.baselines.strangers.STATE_CHANNEL, "channel"),
        ("strangers", step.baselines.strangers, step.baselines.strangers.STATE_GROUP, "group"),
        ("acoustics", step.acoustics, step.acoustics.STATE_GROUP, "group"),
        ("health", step.health, step.health.STATE, "channel"),
        ("step", step, step.STATE_CHANNEL, "channel"),
        ("step", step, step.STATE_GROUP, "group"),
        ("alarms", step.alarms, step.alarms.STATE, "alarm"),
    ]


def _names(engine: Engine) -> dict[str, Names]:
    layout = engine.layout
    groups = layout.group_names
    channels = [f"{c.group}\x1f{c.name}" for c in layout.channels]
    rows = zip(layout.input_series, layout.input_group, layout.input_role, strict=True)
    inputs = [f"{groups[g]}\x1f{layout.names[s]}\x1f{r}" for s, g, r in rows]
    return {"channel": channels, "input": inputs, "group": list(groups), "alarm": channels}


def dump(engine: Engine) -> bytes:
    """Serialise; see `load`."""
    arrays = {
        f"{prefix}.{name}": getattr(target, name)
        for prefix, target, names, _ in _parts(engine)
        for name in names
    }
    last = [
        [k, engine.layout.channels[c].name, asdict(entry)]
        for (k, c), entry in engine.stepper.alarms.last.items()
    ]
    names = _names(engine)
    meta = {"version": VERSION, "names": names, "members": _members(engine), "last": last}
    meta["action_id"] = engine.action_id
    meta["revived"] = [[names["input"][i], t, v] for i, t, v in engine.intake.revived()]
    arrays["meta"] = np.frombuffer(json.dumps(meta).encode(), np.uint8)
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    body = buffer.getvalue()
    return zlib.crc32(body).to_bytes(4, "big") + body


def _members(engine: Engine) -> dict[str, Names]:
    return {name: [c.name for c in rows] for name, rows in engine.layout.register.groups.items()}


def load(engine: Engine, payload: bytes) -> list[str]:
    """Restore what fits; returns notes on what does not."""
    body = payload[4:]
    if len(payload) < 5 or zlib.crc32(body) != int.from_bytes(payload[:4], "big"):
        raise SnapshotError("the saved engine state is damaged (its checksum does not match)")
    with np.load(io.BytesIO(body), allow_pickle=False) as saved:
        meta = json.loads(bytes(saved["meta"]))
        if meta["version"] != VERSION:
            raise SnapshotError(
                f"the saved engine state has version {meta['version']}, this program reads {VERSION}"
            )
        names = _names(engine)
        notes = _changes(meta["names"]["channel"], names["channel"])
        where = {axis: _match(meta["names"][axis], names[axis]) for axis in names}
        _forget_changed_groups(engine, meta, where)
        for prefix, target, attributes, axis in _parts(engine):
            for name in attributes:
                if f"{prefix}.{name}" not in saved:
                    continue  # written by a version that did not have it yet: it begins as new
                if not _copy(getattr(target, name), saved[f"{prefix}.{name}"], where[axis], axis):
                    notes.append(f"{prefix} {name}: its shape has changed with the settings; learned anew")
    engine.stepper.acoustics.refresh(np.arange(len(engine.layout.group_names)))
    engine.action_id = meta["action_id"]
    inputs = {name: i for i, name in enumerate(names["input"])}
    engine.intake.revive([(inputs[n], t, v) for n, t, v in meta.get("revived", []) if n in inputs])
    _restore_last(engine, meta["last"])
    return notes


def _forget_changed_groups(engine: Engine, meta: dict[str, Any], where: dict[str, Any]) -> None:
    """Modes belong to a set of channels: where a group's members changed, its modes are found anew."""
    members = _members(engine)
    new, old = where["group"]
    same = [members[n] == meta["members"].get(n) for n in np.array(_names(engine)["group"])[new].tolist()]
    kept = np.array(same, bool)
    where["group"] = (new[kept], old[kept])


def _match(old: Names, new: Names) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    place = {name: i for i, name in enumerate(old)}
    pairs = [(i, place[name]) for i, name in enumerate(new) if name in place]
    table = np.array(pairs, np.intp).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _copy(target: npt.NDArray[Any], saved: npt.NDArray[Any], where: Any, axis: str) -> bool:
    new, old = where
    if axis == "alarm":
        if target.shape[0] != saved.shape[0]:
            return False
        target[:, new] = saved[:, old]
        return True
    if target.shape[1:] != saved.shape[1:]:
        return False
    target[new] = saved[old]
    return True


def _changes(old: Names, new: Names) -> list[str]:
    kept = set(new)
    plain = [n.replace("\x1f", "/") for n in old if n not in kept]
    return [f"channel {n} is no longer in the register under that group" for n in plain]


def _restore_last(engine: Engine, rows: list[Any]) -> None:
    index = {c.name: i for i, c in enumerate(engine.layout.channels)}
    for k, name, entry in rows:
        if name in index:
            engine.stepper.alarms.last[k, index[name]] = JournalEntry(
                **{
                    **entry,
                    "alarm": AlarmKind(entry["alarm"]),
                    "event": AlarmEvent(entry["event"]),
                    "state": AlarmState(entry["state"]),
                    "priority": Priority(entry["priority"]),
                }
            )
