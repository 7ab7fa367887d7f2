"""Strides learned at once leave exactly what `Baselines.learn` leaves at one after the other."""

from __future__ import annotations

from copy import deepcopy

import numpy as np

from hissmark.baseline.bank import RING, Baselines, Heard
from hissmark.baseline.strides import Course, Strides, learn_strides
from hissmark.engine.settings import BaselineSettings, SignalSettings

CHANNELS = 4
FREE = np.ones(1, bool)
LIMIT_DB = np.full(CHANNELS, 1.0, np.float32)
US = 1_000_000


def bank_of(rng: np.random.Generator) -> Baselines:
    """A group that learned, somewhere on its way; now and then a channel is held, or has not learned yet."""
    bank = Baselines(np.zeros(CHANNELS, np.int32), 1, 1, BaselineSettings(), SignalSettings())
    shape = bank.value.shape
    bank.value[...] = rng.normal(25.0, 2.0, shape)
    bank.anchor[...] = bank.value + rng.normal(0.0, 0.5, shape)
    bank.scale[...] = rng.uniform(0.3, 1.0, shape)
    bank.learned[...], bank.held[...] = True, rng.random(shape) < 0.1
    if rng.random() < 0.1:
        bank.learned[0] = False
    bank.entries[...] = rng.integers(0, 500, shape)
    bank.since_us[...] = rng.integers(1, 1000, shape) * US
    bank.head[...] = rng.integers(0, RING, shape)
    bank.usual_spread[...], bank.usual_step[...] = rng.normal(2.0, 0.3, (2, CHANNELS))
    bank.usual_spread[rng.random(CHANNELS) < 0.1] = np.nan
    bank.usual_step[rng.random(CHANNELS) < 0.1] = np.nan
    if rng.random() < 0.2:  # something strange was heard once, over or not
        bank.strangers.stamp[0, 0], bank.strangers.head[0] = 5, 1
        bank.strangers.level[:, 0] = 30.0 if rng.random() < 0.3 else np.nan
    return bank


def strides_of(rng: np.random.Generator, bank: Baselines, many: int) -> tuple[np.ndarray, Strides]:
    """Floors that wander; some are not fit, unsteady, not heard, or bring no sample that is newer."""
    at_us = (1000 + np.arange(many, dtype=np.int64)) * bank.stride_us
    shape = (many, CHANNELS)
    level = rng.normal(25.0, 2.0, shape).astype(np.float32)
    level[rng.random(shape) < 0.03] = np.nan
    step = rng.normal(0.0, 1.0, shape).astype(np.float32)
    step[rng.random(shape) < 0.1] = np.nan
    spread = rng.normal(2.0, rng.choice([0.2, 0.7]), shape).astype(np.float32)
    every = rng.integers(1, 4, CHANNELS)
    last = at_us[:, None] - at_us[:, None] % (every * bank.stride_us) - rng.integers(0, 60) * US
    return at_us, Strides(level, spread, step, last, rng.random(shape) > rng.choice([0.0, 0.1]))


def one_by_one(bank: Baselines, at_us: np.ndarray, strides: Strides, mode: np.ndarray) -> Course:
    """By the function that the running service uses."""
    rows, every = np.arange(CHANNELS), np.ones(CHANNELS, bool)
    known = [(bank.value[rows, mode].copy(), bank.usual_spread.copy(), bank.usual_step.copy())]
    fits = []
    for k, now_us in enumerate(at_us.tolist()):
        limit = np.where(np.isnan(bank.usual_spread), np.inf, LIMIT_DB + bank.usual_spread)
        fit = strides.fit[k] & ~(strides.spread[k] > limit)
        heard = Heard(
            strides.floor[k], strides.spread[k], strides.step[k], strides.last_us[k], fit, mode, every, every,
            np.zeros(1, bool), np.zeros(1, np.intp), ~every,
        )  # fmt: skip
        bank.learn(now_us, heard, FREE, lambda *_: False)
        fits.append(fit)
        known.append((bank.value[rows, mode].copy(), bank.usual_spread.copy(), bank.usual_step.copy()))
    value, spread, step = (np.array(column) for column in zip(*known, strict=True))
    return Course(value, spread, step, np.array(fits).reshape(-1, CHANNELS))


def same_bytes(one: Baselines, other: Baselines) -> bool:
    parts = [(one, other, one.STATE_CHANNEL + one.STATE_GROUP)]
    strangers = one.strangers
    parts.append((strangers, other.strangers, strangers.STATE_CHANNEL + strangers.STATE_GROUP))
    return all(
        getattr(a, name).tobytes() == getattr(b, name).tobytes()
        and getattr(a, name).dtype == getattr(b, name).dtype
        for a, b, names in parts
        for name in names
    )


def test_many_strides_leave_what_one_after_the_other_leave() -> None:
    at_once = passed_over = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        bank = bank_of(rng)
        mode = np.full(CHANNELS, rng.integers(0, 3), np.intp)
        at_us, strides = strides_of(rng, bank, int(rng.choice([0, 1, 40, 200])))
        before, other = deepcopy(bank), deepcopy(bank)
        course = learn_strides(bank, at_us, strides, mode, FREE, LIMIT_DB)
        if course is None:
            passed_over += 1
            assert same_bytes(bank, before), f"seed {seed}: changed, though nothing was learned"
            continue
        at_once += 1
        for mine, theirs in zip(course, one_by_one(other, at_us, strides, mode), strict=True):
            np.testing.assert_array_equal(mine, theirs, err_msg=f"seed {seed}")
        assert same_bytes(bank, other), f"seed {seed}"
    assert at_once > 100
    assert passed_over > 20


def test_what_is_still_learned_is_left_to_the_tick() -> None:
    """A background that is not there yet may be complete at any stride, and its modes are looked for then."""
    rng = np.random.default_rng(1)
    bank = bank_of(rng)
    bank.strangers.stamp[...] = 0
    at_us, strides = strides_of(rng, bank, 3)
    strides = strides._replace(fit=np.ones_like(strides.fit), floor=np.full_like(strides.floor, 25.0))
    bank.learned[...] = True
    mode = np.zeros(CHANNELS, np.intp)
    assert learn_strides(deepcopy(bank), at_us, strides, mode, FREE, LIMIT_DB) is not None
    bank.learned[2, 0] = False
    assert learn_strides(bank, at_us, strides, mode, FREE, LIMIT_DB) is None


def test_a_strange_state_that_is_over_has_to_be_marked_first() -> None:
    rng = np.random.default_rng(2)
    bank = bank_of(rng)
    bank.learned[...] = True
    at_us, strides = strides_of(rng, bank, 3)
    bank.strangers.stamp[0, 0], bank.strangers.head[0] = 5, 1
    bank.strangers.level[:, 0] = 30.0
    mode = np.zeros(CHANNELS, np.intp)
    assert learn_strides(bank, at_us, strides, mode, FREE, LIMIT_DB) is None
    one_by_one(bank, at_us[:1], Strides(*(column[:1] for column in strides)), mode)
    assert learn_strides(bank, at_us[1:], Strides(*(column[1:] for column in strides)), mode, FREE, LIMIT_DB)
