"""A published change point: the annual flow of the Nile at Aswan drops after 1898 (Cobb 1978).

Data: statsmodels.datasets.nile, 1871 to 1970. Peer on the same series: ruptures.
"""

import numpy as np
import pytest
import ruptures
from statsmodels.datasets import nile

from hissmark.baseline.robust import row_mad
from hissmark.judge.charts import cusum_path, cusum_signals
from hissmark.judge.runlength import cusum_limit

LAST_YEAR_BEFORE = 1898  # Cobb 1978, Biometrika 65:243


@pytest.fixture(scope="module")
def flow() -> tuple[np.ndarray, np.ndarray]:
    """Years and annual volumes (10^8 m³)."""
    table = nile.load_pandas().data
    return table["year"].to_numpy(int), table["volume"].to_numpy(float)


def test_cusum_dates_the_drop_without_hindsight(flow: tuple[np.ndarray, np.ndarray]) -> None:
    """Baseline from the first twenty years; the lower sum leaves zero in 1899 and signals soon after."""
    years, volume = flow
    known = row_mad(volume[None, :20])
    deviation = (volume - known.location[0]) / known.scale[0]
    sums = cusum_path(deviation, 0.5)
    _, dropped = cusum_signals(sums, cusum_limit(1_000.0, 0.5, two_sided=True))
    signal = int(np.argmax(dropped))
    onset = int(np.flatnonzero(sums.low[: signal + 1] == 0.0)[-1])
    assert dropped.any()
    assert years[onset] == LAST_YEAR_BEFORE
    assert years[signal] <= LAST_YEAR_BEFORE + 6


def test_no_alarm_before_the_drop(flow: tuple[np.ndarray, np.ndarray]) -> None:
    years, volume = flow
    known = row_mad(volume[None, :20])
    sums = cusum_path((volume - known.location[0]) / known.scale[0], 0.5)
    high, low = cusum_signals(sums, cusum_limit(1_000.0, 0.5, two_sided=True))
    assert not (high | low)[years <= LAST_YEAR_BEFORE].any()


def test_ruptures_finds_the_same_year(flow: tuple[np.ndarray, np.ndarray]) -> None:
    """Peer: optimal single change of mean by dynamic programming; same year as the deepest point of ours."""
    years, volume = flow
    (break_at, _) = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(volume).predict(n_bkps=1)
    running = np.cumsum(volume - volume.mean())
    assert years[break_at - 1] == LAST_YEAR_BEFORE
    assert years[int(np.argmax(np.abs(running)))] == LAST_YEAR_BEFORE
