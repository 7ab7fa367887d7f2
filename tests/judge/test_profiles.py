"""The likelihood of a profile against numerical integration (`scipy.integrate`), the outside reference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from hissmark.engine.register import Channel
from hissmark.engine.settings import JudgeSettings
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.geometry import Geometry
from hissmark.judge.heard import Heard, level_of, power_of
from hissmark.judge.sources import one_source

BACKGROUND_DB = 30.0
SCALE_DB = 0.7
SOURCE_DB = 45.0


def _heard(second_db: float) -> tuple[Heard, Acoustics]:
    """Two valves; the first reads a source of 45 dB, the second `second_db` over a background of 30 dB."""
    channels = tuple(
        Channel(f"C{i}", f"C{i}", "valve", "G", i + 1, f"V{i}", distance_m=None, joints=None)
        for i in range(2)
    )
    settings = JudgeSettings()
    geometry = Geometry.of({"G": channels}, settings)
    acoustics = Acoustics(geometry, settings.coupling_db)
    acoustics.free[:] = 0.0  # the losses are what they are, so that one Gaussian describes them
    level = np.array([[float(level_of(power_of(np.array(SOURCE_DB)) + power_of(np.array(BACKGROUND_DB)))),
                       second_db]])  # fmt: skip
    here = np.array([0])
    one, none = np.ones((1, 2), bool), np.zeros((1, 2), bool)
    heard = Heard(
        level, np.full((1, 2), BACKGROUND_DB), np.full((1, 2), SCALE_DB), one, one, none, none,
        *acoustics.of(here), np.full((1, 2, 2), np.inf), none, none, acoustics.unknown(here),
    )  # fmt: skip
    return heard, acoustics


def _integrated(second_db: float, expected_db: float, sd_db: float) -> float:
    """Log-likelihood of the second level, by integration over all that may arrive there."""

    def density(arriving_db: float) -> float:
        level = 10 * np.log10(10 ** (BACKGROUND_DB / 10) + 10 ** (arriving_db / 10))
        return float(norm.pdf(arriving_db, expected_db, sd_db) * norm.pdf(second_db, level, SCALE_DB))

    edges = (second_db - 3, second_db, second_db + 3)
    value, _ = quad(density, expected_db - 9 * sd_db, expected_db + 9 * sd_db, points=edges, limit=400)
    return float(np.log(value) + 0.5 * np.log(2 * np.pi))


@pytest.mark.parametrize(
    ("second_db", "within"),
    [(30.0, 1.5), (31.5, 0.4), (34.0, 0.1), (37.0, 0.1), (40.0, 0.1), (43.0, 0.1), (46.0, 0.5)],
)
def test_a_profile_is_as_likely_as_integration_says(second_db: float, within: float) -> None:
    """At the background itself the sound is cut off below, where a Gaussian is only near; from 1.5 dB of rise
    on they agree. Louder than the source, a bound of its own takes over."""
    heard, acoustics = _heard(second_db)
    background = power_of(heard.background)
    leak_only = level_of(np.maximum(power_of(heard.level) - background, 0.0))
    score = one_source(heard, leak_only, background, np.array([[True, False]])).score[0, 0]
    expected = SOURCE_DB - float(acoustics.loss_db[0, 0, 1])
    wanted = _integrated(second_db, expected, float(acoustics.loss_sd_db[0, 0, 1]))
    assert score + np.log(SCALE_DB) == pytest.approx(wanted, abs=within)  # the own channel adds its scale
