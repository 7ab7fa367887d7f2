"""A saved state that an older program wrote: what it had less room for is widened, what it lacked is new."""

from __future__ import annotations

import io
import json
import zlib
from typing import Any

import numpy as np
import pytest

from hissmark.engine.engine import Engine
from hissmark.engine.snapshot import SnapshotError, _widened, dump, load
from support.rig import Rig, learned_rig, row_of_valves

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0}


@pytest.mark.parametrize(
    ("dtype", "filler"),
    [(np.float32, np.nan), (np.float16, np.nan), (np.int32, 0), (np.int64, 0), (np.bool_, False)],
)
def test_what_was_saved_stays_and_new_conditions_hold_nothing(dtype: Any, filler: Any) -> None:
    saved = np.arange(12).reshape(3, 4)[:, :2].astype(dtype)
    wide = _widened(saved, np.zeros((5, 4), dtype))
    assert (wide.shape, wide.dtype) == ((3, 4), np.dtype(dtype))
    np.testing.assert_array_equal(wide[:, :2], saved)
    np.testing.assert_array_equal(wide[:, 2:], np.full((3, 2), filler, dtype))


def test_rings_of_each_condition_are_widened_as_a_whole() -> None:
    saved = np.ones((3, 2, 80), np.float16)
    wide = _widened(saved, np.zeros((3, 4, 80), np.float16))
    assert wide.shape == (3, 4, 80)
    assert np.isnan(wide[:, 2:]).all()
    assert (wide[:, :2] == 1).all()


@pytest.mark.parametrize(
    ("saved", "target"),
    [((3, 4), (3, 4)), ((3, 6), (3, 4)), ((3,), (5,)), ((3, 2, 80), (3, 4, 64)), ((3, 2), (3, 4, 8))],
)
def test_what_cannot_be_widened_is_left_as_it_is(saved: tuple[int, ...], target: tuple[int, ...]) -> None:
    """As many or more, one value a row, another length behind: `put` decides what becomes of it."""
    array = np.zeros(saved, np.float32)
    assert _widened(array, np.zeros(target, np.float32)) is array


def edited(payload: bytes, edit: Any) -> bytes:
    """A saved state with its arrays changed, as another program would have written it."""
    with np.load(io.BytesIO(payload[4:]), allow_pickle=False) as saved:
        arrays = {name: saved[name] for name in saved.files}
    edit(arrays)
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    body = buffer.getvalue()
    return zlib.crc32(body).to_bytes(4, "big") + body


def learned() -> Rig:
    return learned_rig(row_of_valves(3), BASE)


def test_a_state_of_fewer_operating_conditions_goes_on_as_if_it_had_had_room() -> None:
    """The backgrounds that were learned count, the group goes on judging at once."""
    rig = learned()
    bank = rig.engine.stepper.baselines
    names = {f"baseline.{n}" for n in (*bank.STATE_CHANNEL, *bank.STATE_GROUP)}
    modes = bank.value.shape[1]

    def narrow(arrays: dict[str, Any]) -> None:
        for name in names:
            if arrays[name].ndim > 1 and arrays[name].shape[1] == modes:
                arrays[name] = arrays[name][:, :1].copy()

    other = Engine(rig.layout)
    assert load(other, edited(dump(rig.engine), narrow)) == []
    mine = other.stepper.baselines
    np.testing.assert_array_equal(mine.value[:, :1], bank.value[:, :1])
    assert np.isnan(mine.value[:, 1:]).all()
    assert mine.learned.tolist() == bank.learned.tolist()
    assert (mine.entries == bank.entries).all()
    following = Rig(row_of_valves(3))
    following.engine.restore(edited(dump(rig.engine), narrow))
    following.now_s = rig.now_s
    following.run(600, BASE)
    assert set(following.verdicts().values()) == {"quiet"}


def test_state_that_its_writer_did_not_have_begins_as_new() -> None:
    rig = learned()
    rig.engine.stepper.retest[:] = 4
    other = Engine(rig.layout)
    assert load(other, edited(dump(rig.engine), lambda arrays: arrays.pop("step.retest"))) == []
    assert not other.stepper.retest.any()


def test_of_a_changed_shape_it_is_said_that_it_is_learned_anew() -> None:
    rig = learned()

    def longer(arrays: dict[str, Any]) -> None:
        arrays["windows.low"] = np.zeros((3, 999), np.float32)

    other = Engine(rig.layout)
    notes = load(other, edited(dump(rig.engine), longer))
    assert notes == ["windows low: its shape has changed with the settings; learned anew"]
    assert np.isnan(other.stepper.windows.low).all()


def test_another_version_or_a_damaged_state_is_refused_with_the_reason() -> None:
    rig = learned()
    payload = dump(rig.engine)

    def newer(arrays: dict[str, Any]) -> None:
        meta = json.loads(bytes(arrays["meta"]))
        arrays["meta"] = np.frombuffer(json.dumps({**meta, "version": 99}).encode(), np.uint8)

    with pytest.raises(SnapshotError, match="has version 99, this program reads 1"):
        load(Engine(rig.layout), edited(payload, newer))
    with pytest.raises(SnapshotError, match="checksum does not match"):
        load(Engine(rig.layout), payload[:-1] + bytes([payload[-1] ^ 1]))
    with pytest.raises(SnapshotError, match="damaged"):
        load(Engine(rig.layout), b"abc")
