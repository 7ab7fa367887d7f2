"""Decibel arithmetic against published tables.

Sources are named at each check. SEEN: the text was read; MEM: from memory; COMP: computed from the
defining equation, here once more with Python's own floats.
"""

import math

import numpy as np
import pytest

from hissmark.signal.levels import (
    add_levels,
    background_correction_db,
    leak_only,
    level_of_voltage,
    mean_level,
)

# K1 = -10 lg(1 - 10^(-0.1 D)): equation ISO 3744:2010 (MEM), values COMP to three decimals
K1_TABLE = {
    1: 6.868, 2: 4.329, 3: 3.021, 4: 2.205, 5: 1.651, 6: 1.256, 7: 0.967, 8: 0.749,
    9: 0.584, 10: 0.458, 11: 0.359, 12: 0.283, 13: 0.223, 14: 0.176, 15: 0.140,
}  # fmt: skip


@pytest.mark.parametrize(
    ("levels", "total", "tolerance"),
    [
        ([60.0, 60.0], 63.0103, 5e-5),  # COMP: doubling the power
        ([50.0] * 10, 60.0, 1e-9),  # COMP: ten equal sources, +10 dB
        ([85.0, 87.0, 89.0], 92.0, 0.1),  # SEEN ecologycenter.us "Background Corrections"
        ([85.0, 87.0, 89.0], 92.0730, 5e-5),  # COMP, the same
    ],
)
def test_levels_add_as_powers(levels: list[float], total: float, tolerance: float) -> None:
    assert float(add_levels(levels)) == pytest.approx(total, abs=tolerance)


def test_energy_mean_of_40_and_50_db() -> None:
    """COMP: 10 lg((10^4 + 10^5) / 2) = 47.4036 dB, not 45."""
    assert float(mean_level([40.0, 50.0])) == pytest.approx(47.4036, abs=5e-5)


@pytest.mark.parametrize(
    ("level", "background", "alone", "tolerance"),
    [
        (93.0, 89.0, 90.7, 0.1),  # SEEN ecologycenter.us "Background Corrections" (a table look-up there)
        (93.0, 89.0, 90.7952, 5e-5),  # COMP, the same
        (70.0, 63.0, 69.0, 0.05),  # SEEN in a sound-level-meter manual (manualshelf.com): correction -1
        (70.0, 63.0, 69.0335, 5e-5),  # COMP, the same
    ],
)
def test_background_is_taken_off_as_power(
    level: float, background: float, alone: float, tolerance: float
) -> None:
    leak, resolvable = leak_only(level, background)
    assert float(leak) == pytest.approx(alone, abs=tolerance)
    assert resolvable


@pytest.mark.parametrize(("difference", "correction"), K1_TABLE.items())
def test_background_correction_table(difference: float, correction: float) -> None:
    assert float(background_correction_db(difference)) == pytest.approx(correction, abs=5e-4)


def test_published_caps_of_the_background_correction() -> None:
    """0.46 and 1.26 dB: SEEN in ECMA TR/107:2017 (contents page); 1.3 dB at 6 dB: ISO 10140-4:2010, SEEN at
    strutt.arup.com; 3 dB at 3 dB: ISO 3746, MEM."""
    assert background_correction_db([10.0, 6.0]) == pytest.approx([0.46, 1.26], abs=0.005)
    assert float(background_correction_db(6.0)) == pytest.approx(1.3, abs=0.05)
    assert float(background_correction_db(3.0)) == pytest.approx(3.0, abs=0.05)


def test_classic_rounded_corrections() -> None:
    """The old whole-decibel table (MEM): 3 dB -> 3; 4 to 5 -> 2; 6 to 9 -> 1; from 10 on none."""
    classic = {3: 3, 4: 2, 5: 2, 6: 1, 7: 1, 8: 1, 9: 1, 10: 0, 12: 0, 15: 0}
    for difference, correction in classic.items():
        assert round(float(background_correction_db(float(difference)))) == correction, difference


def test_below_three_decibels_the_leak_is_only_a_limit() -> None:
    """ISO 3746 (MEM): below 3 dB the correction stays at 3 dB and the result is an upper limit."""
    leak, resolvable = leak_only([42.0, 41.0, 40.5], 40.0)
    assert leak == pytest.approx([42.0 - 3.0206, 41.0 - 3.0206, 40.5 - 3.0206], abs=1e-4)
    assert not resolvable.any()


@pytest.mark.parametrize(
    ("baseline", "level", "rise", "alone"),
    [
        # COMP: source 50 dB at A, 44 dB at B after 6 dB of pipe; rows where the plain rule inverts included
        ((30.0, 30.0), (50.04, 44.17), (20.04, 14.17), (50.0, 44.0)),
        ((30.0, 45.0), (50.04, 47.54), (20.04, 2.54), (50.0, 44.0)),
        ((45.0, 30.0), (51.19, 44.17), (6.19, 14.17), (50.0, 44.0)),
        ((48.0, 20.0), (52.12, 44.02), (4.12, 24.02), (50.0, 44.0)),
    ],
)
def test_leak_only_levels_name_the_source_where_backgrounds_differ(
    baseline: tuple[float, float],
    level: tuple[float, float],
    rise: tuple[float, float],
    alone: tuple[float, float],
) -> None:
    heard = add_levels(np.column_stack([alone, baseline]))
    assert heard == pytest.approx(level, abs=0.005)
    assert heard - np.array(baseline) == pytest.approx(rise, abs=0.005)
    leak, resolvable = leak_only(heard, baseline)
    assert leak[resolvable] == pytest.approx(np.array(alone)[resolvable], abs=1e-9)
    assert leak[0] > leak[1], "the source A must stand out in leak-only level"


@pytest.mark.parametrize(
    ("volts", "level"),
    [(1e-6, 0.0), (2e-6, 6.0206), (1e-5, 20.0), (1e-4, 40.0), (1e-3, 60.0), (1e-2, 80.0), (1.0, 120.0)],
)
def test_acoustic_emission_decibels(volts: float, level: float) -> None:
    """dB_AE = 20 lg(V / 1 µV) at the sensor, before amplification: ASTM E1316 / EN 1330-9 (MEM)."""
    assert float(level_of_voltage(volts, 1e-6)) == pytest.approx(level, abs=5e-5)


def test_energy_sum_agrees_with_exact_summation() -> None:
    """Peer: math.fsum of Python floats over random levels."""
    levels = np.random.default_rng(11).uniform(0.0, 120.0, (200, 9))
    exact = [10.0 * math.log10(math.fsum(10.0 ** (x / 10.0) for x in row)) for row in levels]
    assert add_levels(levels) == pytest.approx(exact, abs=1e-10)


def test_gaussian_levels_have_the_published_energy_mean() -> None:
    """Leq = L50 + 0.11513 s² for Gaussian levels (COMP: ln(10) / 20), s the standard deviation in dB."""
    sd = 3.0
    levels = 50.0 + sd * np.random.default_rng(5).standard_normal(400_000)
    assert float(mean_level(levels)) == pytest.approx(50.0 + 0.11513 * sd**2, abs=0.03)
