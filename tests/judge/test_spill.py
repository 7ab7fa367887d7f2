"""Ceilings on the spill of a standing source. Levels and losses: common practice, no source."""

from __future__ import annotations

import numpy as np

from hissmark.engine.settings import JudgeSettings
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.geometry import Geometry
from hissmark.judge.spill import SpillCeilings
from support.rig import row_of_valves

PLACES = 5
GROUP = np.array([0])
QUIET_DB = 20.0


def plant() -> tuple[Geometry, Acoustics]:
    settings = JudgeSettings()
    geometry = Geometry.of({"header": tuple(row_of_valves(PLACES))}, settings)
    return geometry, Acoustics(geometry, settings.coupling_db)


def hear(
    ceilings: SpillCeilings, levels: list[float], source: int | None, use: list[int] | None = None
) -> None:
    geometry, acoustics = plant()
    standing = np.zeros((1, PLACES), bool)
    if source is not None:
        standing[0, source] = True
    ceilings.take(
        geometry, GROUP, standing, np.array([levels], float), np.full((1, PLACES), QUIET_DB),
        np.full((1, PLACES), 0.5), np.array([use or [1] * PLACES], bool), acoustics.loss_db,
        acoustics.loss_sd_db, 60.0,
    )  # fmt: skip


def known(ceilings: SpillCeilings, audible: list[int]) -> np.ndarray:
    geometry, _ = plant()
    return ceilings.laid(geometry, GROUP, np.array([audible], bool))[0]


LEAK = [32.0, 40.0, 50.0, 40.0, 32.0]
ALL = [1] * PLACES


def test_spill_stays_under_what_it_was_while_the_source_stands() -> None:
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, LEAK, 2)
    first = known(ceilings, ALL)[2]
    assert np.isinf(first[2])
    np.testing.assert_allclose(first[[1, 3]], -10.0, atol=1.0)
    for _ in range(600):
        hear(ceilings, [32.0, 40.0, 50.0, 40.0, 48.0], 2)
    np.testing.assert_allclose(known(ceilings, ALL)[2], first)


def test_a_ceiling_follows_downwards_but_no_single_window() -> None:
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, LEAK, 2)
    first = known(ceilings, ALL)[2, 1]
    hear(ceilings, [32.0, 35.0, 50.0, 40.0, 32.0], 2)
    assert first - 0.5 < known(ceilings, ALL)[2, 1] < first
    for _ in range(300):
        hear(ceilings, [32.0, 35.0, 50.0, 40.0, 32.0], 2)
    assert known(ceilings, ALL)[2, 1] < first - 4.5


def test_ceilings_end_with_their_source() -> None:
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, LEAK, 2)
    hear(ceilings, [QUIET_DB] * PLACES, None)
    assert np.isinf(known(ceilings, ALL)).all()
    assert ceilings.source[0] == -1


def test_a_source_that_cannot_be_read_for_a_moment_is_not_gone() -> None:
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, LEAK, 2)
    before = known(ceilings, ALL)
    hear(ceilings, LEAK, 2, use=[1, 1, 0, 1, 1])
    np.testing.assert_array_equal(known(ceilings, ALL), before)


def test_what_no_loss_could_let_through_is_no_ceiling() -> None:
    """A second leak that began together with the first is not taken for its spill."""
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, [60.0, 30.0, 30.0, 30.0, 62.0], 4)
    assert np.isinf(known(ceilings, ALL)[4, 0])


def test_other_sources_are_bounded_by_the_pipe_they_share() -> None:
    """What the source sends through place 1 on to place 0 is what place 1 would send on; across it,
    likewise."""
    ceilings = SpillCeilings(PLACES, 1)
    hear(ceilings, LEAK, 2)
    laid = known(ceilings, ALL)
    np.testing.assert_allclose(laid[1, 0], laid[2, 0] - laid[2, 1])
    np.testing.assert_allclose(laid[1, 3], laid[2, 3])
    assert np.isinf(laid[0, 1])
    deaf = known(ceilings, [1, 0, 1, 1, 1])
    assert np.isinf(deaf[1, 0])
