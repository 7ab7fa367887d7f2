"""Robust statistics against published constants, MASS::chem and statsmodels."""

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.robust import scale as peer
from statsmodels.robust.norms import HuberT, estimate_location

from hissmark.baseline.robust import (
    IQR_FACTOR,
    MAD_FACTOR,
    QN_FACTOR,
    hampel_outliers,
    row_huber,
    row_huber_proposal_2,
    row_iqr_scale,
    row_mad,
    row_median,
    row_qn,
)

# Copper in wholemeal flour, Analytical Methods Committee 1989, in R as MASS::chem. Data from memory (MEM);
# mean and standard deviation below guard against a slip.
CHEM = np.array([[
    2.20, 2.20, 2.40, 2.40, 2.50, 2.70, 2.80, 2.90, 3.03, 3.03, 3.10, 3.37,
    3.40, 3.40, 3.40, 3.50, 3.60, 3.70, 3.70, 3.70, 3.70, 3.77, 5.28, 28.95,
]])  # fmt: skip


def test_chem_is_what_the_literature_describes() -> None:
    assert CHEM.mean() == pytest.approx(4.2804, abs=5e-5)
    assert CHEM.std(ddof=1) == pytest.approx(5.2974, abs=5e-5)


def test_constants() -> None:
    """COMP from the normal distribution: 1.4826022185, 2.2191444660, 0.7413011093."""
    upper_quartile = norm.ppf(0.75)
    assert pytest.approx(1.4826022185, abs=1e-10) == MAD_FACTOR == pytest.approx(1 / upper_quartile)
    assert pytest.approx(2.2191444660, abs=1e-10) == QN_FACTOR
    assert pytest.approx(1 / (np.sqrt(2) * norm.ppf(5 / 8))) == QN_FACTOR
    assert pytest.approx(0.7413011093, abs=1e-10) == IQR_FACTOR == pytest.approx(0.5 / upper_quartile)


def test_mad_of_the_textbook_example() -> None:
    """MAD of 1 1 2 2 4 6 9 is 1, scaled 1.4826022 (COMP; a common worked example)."""
    located = row_mad(np.array([[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]]))
    assert float(located.location[0]) == 2.0
    assert float(located.scale[0]) == pytest.approx(1.4826022, abs=1e-7)


def test_chem_median_and_mad() -> None:
    """COMP: median 3.385, MADN 0.526324 (R prints the same)."""
    located = row_mad(CHEM)
    assert float(located.location[0]) == pytest.approx(3.385)
    assert float(located.scale[0]) == pytest.approx(0.526324, abs=5e-7)


def test_chem_huber_proposal_2() -> None:
    """COMP with statsmodels, as MASS::hubers(chem): location 3.205498, scale 0.673653."""
    located = row_huber_proposal_2(CHEM)
    assert float(located.location[0]) == pytest.approx(3.205498, abs=1e-6)
    assert float(located.scale[0]) == pytest.approx(0.673653, abs=1e-6)


def test_chem_huber_with_fixed_scale() -> None:
    """MASS::huber(chem) prints 3.206724 with the MAD held fixed (MEM); peer: statsmodels."""
    location = float(row_huber(CHEM).location[0])
    assert location == pytest.approx(3.206724, abs=1e-6)
    mad = float(row_mad(CHEM).scale[0])
    theirs = estimate_location(CHEM[0], mad, norm=HuberT(t=1.5), maxiter=200, tol=1e-12)
    assert location == pytest.approx(float(theirs), abs=1e-6)


def test_chem_qn() -> None:
    """Qn 0.73232 (COMP with statsmodels)."""
    assert float(row_qn(CHEM)[0]) == pytest.approx(0.73232, abs=5e-6)


@pytest.mark.parametrize("width", [4, 5, 24, 61])
def test_rows_agree_with_statsmodels(width: int) -> None:
    """Peer: statsmodels mad, iqr and qn_scale, row by row, on skewed data with outliers."""
    values = np.random.default_rng(width).gamma(2.0, 3.0, (40, width))
    values[:, 0] += 100.0
    np.testing.assert_allclose(row_mad(values).scale, peer.mad(values, axis=1), rtol=1e-12)
    np.testing.assert_allclose(row_iqr_scale(values), peer.iqr(values, axis=1), rtol=1e-9)
    np.testing.assert_allclose(row_qn(values), peer.qn_scale(values, axis=1), rtol=1e-9)


def test_proposal_2_agrees_with_statsmodels() -> None:
    """Peer: statsmodels.robust.scale.huber (joint location and scale, corner 1.5)."""
    values = np.random.default_rng(12).standard_t(3, (20, 50)) * 2.0 + 30.0
    located = row_huber_proposal_2(values)
    joint = peer.Huber(c=1.5, tol=1e-10, maxiter=200)
    theirs = np.array([joint(row) for row in values])
    np.testing.assert_allclose(located.location, theirs[:, 0], rtol=1e-6)
    np.testing.assert_allclose(located.scale, theirs[:, 1], rtol=1e-5)


def test_hampel_rule_finds_the_two_outliers_of_chem() -> None:
    """|x - median| > 3 * 1.4826 MAD (Hampel, MEM): 5.28 and 28.95 fall outside."""
    assert CHEM[hampel_outliers(CHEM)].tolist() == [5.28, 28.95]


def test_scales_estimate_the_standard_deviation_of_gaussian_data() -> None:
    """All three scales come out at 1 for standard normal data (that is what the constants are for)."""
    values = np.random.default_rng(9).standard_normal((400, 200))
    assert row_mad(values).scale.mean() == pytest.approx(1.0, abs=0.02)
    assert row_iqr_scale(values).mean() == pytest.approx(1.0, abs=0.02)
    assert row_qn(values).mean() == pytest.approx(1.0, abs=0.03)
    assert row_median(values).mean() == pytest.approx(0.0, abs=0.02)
