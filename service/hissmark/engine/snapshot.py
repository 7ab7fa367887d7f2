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
from hissmark.engine.fitting import Fit, Pairs, begin_new_groups, names_of

if TYPE_CHECKING:
    from hissmark.engine.engine import Engine
    from hissmark.engine.step import Stepper

VERSION = 1


class SnapshotError(ValueError):
    """A saved engine state cannot be read; the message says why."""


Part = tuple[str, Any, tuple[str, ...], str]
"""Prefix, object, attributes, axis: what the arrays run over and where."""


def parts_of(step: Stepper) -> list[Part]:
    """What one tick leaves to the next, but for intake, tuned settings and `alarms.last`."""
    return [
        ("windows", step.windows, step.windows.STATE, "channel"),
        ("process", step.process, ("value", "low", "high"), "input"),
        ("baseline", step.baselines, step.baselines.STATE_CHANNEL, "channel"),
        ("baseline", step.baselines, step.baselines.STATE_GROUP, "members"),
        ("strangers", step.baselines.strangers, step.baselines.strangers.STATE_CHANNEL, "channel"),
        ("strangers", step.baselines.strangers, step.baselines.strangers.STATE_GROUP, "members"),
        ("acoustics", step.acoustics, step.acoustics.STATE_GROUP, "pipework"),
        ("ceilings", step.ceilings, step.ceilings.STATE_CHANNEL, "channel"),
        ("ceilings", step.ceilings, step.ceilings.STATE_GROUP, "members"),
        ("health", step.health, step.health.STATE, "channel"),
        ("health", step.health.timers, step.health.timers.STATE, "channel"),
        ("trends", step.trends, step.trends.STATE, "channel"),
        ("repairs", step.repairs, step.repairs.STATE_CHANNEL, "channel"),
        ("repairs", step.repairs, step.repairs.STATE_GROUP, "members"),
        ("passed", step.passed, step.passed.STATE_CHANNEL, "channel"),
        ("passed", step.passed, step.passed.STATE_GROUP, "members"),
        ("step", step, step.STATE_CHANNEL, "channel"),
        ("step", step, step.STATE_GROUP, "members"),
        ("alarms", step.alarms, step.alarms.STATE, "alarm"),
    ]


def engine_parts(engine: Engine) -> list[Part]:
    """The whole state but what `parts_of` leaves out."""
    intake = engine.intake
    return [
        ("intake", intake, intake.STATE_INPUT, "input"),
        ("intake", intake, intake.STATE_GROUP, "group"),
        *parts_of(engine.stepper),
    ]


def dump(engine: Engine) -> bytes:
    """Serialise; see `load`."""
    arrays = {
        f"{prefix}.{name}": getattr(target, name)
        for prefix, target, names, _ in engine_parts(engine)
        for name in names
    }
    names = names_of(engine.layout)
    subjects, alarms = names["subject"], engine.stepper.alarms
    last = [[k, subjects[c], asdict(entry)] for (k, c), entry in alarms.last.items()]
    meta = {"version": VERSION, "names": names, "last": last, "action_id": engine.action_id}
    meta["change_id"] = engine.changes.newest_id
    meta["tuned"], meta["changes"] = engine.stepper.tuned.to_plain(), engine.changes.to_plain()
    meta["revived"] = [[names["input"][i], t, v] for i, t, v in engine.intake.revived()]
    arrays["meta"] = np.frombuffer(json.dumps(meta).encode(), np.uint8)
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    body = buffer.getvalue()
    return zlib.crc32(body).to_bytes(4, "big") + body


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
        fit = Fit.of(meta["names"], engine.layout)
        notes = [*fit.notes, *_restore_arrays(engine, saved, fit)]
        begin_new_groups(engine.intake, meta["names"], saved["intake.tick_us"], fit)
    engine.stepper.acoustics.refresh(np.arange(len(engine.layout.group_names)))
    engine.action_id = meta["action_id"]
    inputs = {meta["names"]["input"][o]: int(n) for n, o in zip(*fit.input, strict=True)}
    engine.changes.newest_id = meta.get("change_id", 0)
    engine.changes.from_plain(meta.get("changes", []), fit.renamed)
    engine.stepper.tuned.from_plain(meta.get("tuned", {}), fit.renamed, fit.new_groups)
    engine.stepper.retune()
    engine.intake.revive([(inputs[n], t, v) for n, t, v in meta.get("revived", []) if n in inputs])
    _restore_last(engine, meta["last"])
    return notes


def _restore_arrays(engine: Engine, saved: Any, fit: Fit) -> list[str]:
    notes = []
    for prefix, target, attributes, axis in engine_parts(engine):
        for name in attributes:
            key = f"{prefix}.{name}"
            if key not in saved:
                continue  # written by a version that did not have it yet: it begins as new
            if prefix == "acoustics":
                continue
            want = getattr(target, name)
            have = _widened(saved[key], want) if prefix == "baseline" else saved[key]
            if not put(want, have, fit.pairs(axis), axis):
                notes.append(f"{prefix} {name}: its shape has changed with the settings; learned anew")
    acoustics = {name: saved[f"acoustics.{name}"] for name in engine.stepper.acoustics.STATE_GROUP}
    engine.stepper.acoustics.take_over(acoustics, *fit.pipework)
    return notes


def _widened(saved: npt.NDArray[Any], target: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """A saved array with room for the operating conditions that its writer knew fewer of, as new."""
    missing = target.shape[1] - saved.shape[1] if saved.ndim == target.ndim > 1 else 0
    if missing <= 0 or saved.shape[2:] != target.shape[2:]:
        return saved
    filler = {"f": np.nan, "i": 0, "b": False}[saved.dtype.kind] if saved.dtype.kind in "fib" else 0
    return np.concatenate(
        (saved, np.full((len(saved), missing, *saved.shape[2:]), filler, saved.dtype)), axis=1
    )


def put(target: npt.NDArray[Any], saved: npt.NDArray[Any], where: Pairs, axis: str) -> bool:
    """Put saved rows where they belong; False if the shapes do not fit, and nothing is done."""
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


def _restore_last(engine: Engine, rows: list[Any]) -> None:
    alarms = engine.stepper.alarms
    for k, _, entry in rows:
        index = alarms.index.get(entry["valve"])
        if index is not None:
            alarms.last[k, index] = JournalEntry(
                **{
                    **entry,
                    "group": alarms.subjects[index].group,
                    "alarm": AlarmKind(entry["alarm"]),
                    "event": AlarmEvent(entry["event"]),
                    "state": AlarmState(entry["state"]),
                    "priority": Priority(entry["priority"]),
                }
            )
