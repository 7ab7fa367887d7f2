"""Recurring joint levels of a group told apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.baseline.modes import SMALLEST_COUNT, cluster

CENTRES = np.array([[20.0, 25.0, 22.0], [28.0, 31.0, 31.0], [20.0, 25.0, 40.0]])


def visits(counts: list[int], noise_db: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Blocks of moments at the first centres, with noise: joint levels and the truth."""
    truth = np.repeat(np.arange(len(counts)), counts)
    rng = np.random.default_rng(seed)
    return CENTRES[truth] + rng.normal(0.0, noise_db, (len(truth), 3)), truth


@settings(max_examples=60, deadline=None)
@given(st.permutations([40, 25, 15]), st.floats(0.05, 0.5), st.integers(0, 2**16))
def test_states_that_recur_are_found_the_most_visited_first(
    counts: list[int], noise: float, seed: int
) -> None:
    joint, truth = visits(list(counts), noise, seed)
    labels = cluster(joint, 4)
    order = np.argsort(-np.array(counts))
    for rank, state in enumerate(order.tolist()):
        assert set(labels[truth == state].tolist()) == {rank}


def test_one_state_is_one_cloud() -> None:
    joint, _ = visits([90], 0.5)
    assert (cluster(joint, 4) == 0).all()


def test_a_state_visited_once_in_passing_is_none() -> None:
    joint, truth = visits([90, SMALLEST_COUNT - 1], 0.3)
    labels = cluster(joint, 4)
    assert (labels[truth == 0] == 0).all()
    assert (labels[truth == 1] == -1).all()


def test_no_more_than_asked_for() -> None:
    joint, _ = visits([40, 30, 20], 0.2)
    assert sorted(set(cluster(joint, 2).tolist())) == [-1, 0, 1]


def test_too_little_heard_is_one_state() -> None:
    joint, _ = visits([3, 3], 0.2)
    assert cluster(joint, 4).tolist() == [0] * 6


def test_moments_in_which_a_channel_said_nothing_count_by_the_others() -> None:
    joint, truth = visits([40, 30], 0.2)
    joint[::7, 1] = np.nan
    labels = cluster(joint, 4)
    for state in (0, 1):
        assert set(labels[truth == state].tolist()) == {state}


@pytest.mark.parametrize("seed", range(5))
def test_scatter_without_states_is_not_torn_apart(seed: int) -> None:
    """Floors scatter by 0.4 dB in every channel, no recurring states."""
    joint = 30.0 + np.random.default_rng(seed).normal(0.0, 0.4, (96, 4))
    assert (cluster(joint, 4) == 0).mean() > 0.9
