"""What came after its time is judged as if it had come in time: levels, backgrounds, verdicts, and what
follows.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.filled import Site, in_rounds, plant, some
from hissmark.daemon.filling import Filling
from support.rig import START_US

HOUR_US = 3_600_000_000


@pytest.fixture(scope="module")
def in_time(tmp_path_factory):
    """Eight hours as they should have been heard."""
    site = Site(tmp_path_factory.mktemp("in-time"))
    everything = plant(site.layout, 8)
    for part in in_rounds(everything):
        site.feed(part)
    told, journal = site.told(), site.journal()
    site.close()
    assert any("passing" in key for key, _ in journal)
    return everything, told, journal


def held_back(everything, layout, names, from_h, to_h):
    """Mask of the samples that a broken link holds back."""
    index = [layout.series_index()[name] for name in names]
    hours = (everything.time_us - START_US) / HOUR_US
    return np.isin(everything.series, index) & (hours >= from_h) & (hours < to_h)


LINKS = [
    (["AE-2"], 2.5, 5.0),
    (["AE-1", "AE-2", "AE-3", "AE-4", "AE-5"], 2.0, 4.0),
    (["AE-yard1", "AE-yard2", "AE-yard3", "ZT-9"], 1.0, 6.5),
    (["AE-2", "AE-yard2"], 6.0, 7.9),
]


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("way", ["late", "import"])
def test_as_if_it_had_come_in_time(tmp_path, in_time, link, way):
    """A link is down for hours and then delivers, or a file is imported. Afterwards the site goes on as if
    nothing had been.
    """
    everything, told, journal = in_time
    site = Site(tmp_path)
    missing = held_back(everything, site.layout, *link)
    rounds = in_rounds(some(everything, ~missing))
    after = int(np.ceil((link[2] + 0.2) * 12))
    for part in rounds[:after]:
        site.feed(part)
    (site.feed if way == "late" else site.import_)(some(everything, missing))
    site.fill()
    assert site.reader.backfill_marks() == []
    for part in rounds[after:]:
        site.feed(part)
    found = site.told()
    assert found == told
    later = {key for key, origin in site.journal() if origin}
    assert {key for key, _ in site.journal()} >= {key for key, _ in journal}
    assert later <= {key for key, _ in journal}
    (done, *_) = site.reader.backfills()
    assert done.cause == way
    assert done.samples > 0
    site.close()


def test_alarms_found_in_backfill_are_marked_and_not_annunciated(tmp_path, in_time):
    """The leak is only heard of when the link is back: the journal says so, and no receiver is told of it."""
    everything, _, journal = in_time
    site = Site(tmp_path)
    missing = held_back(everything, site.layout, ["AE-1", "AE-2", "AE-3", "AE-4", "AE-5"], 2.0, 8.0)
    for part in in_rounds(some(everything, ~missing)):
        site.feed(part)
    assert not any("passing" in key for key, _ in site.journal())
    site.import_(some(everything, missing))
    site.fill()
    raised = [(key, origin) for key, origin in site.journal() if key[1:3] == ("passing", "raised")]
    assert raised
    assert {origin for _, origin in raised} == {"back-fill"}
    assert {key for key, _ in raised} == {k for k, _ in journal if k[1:3] == ("passing", "raised")}
    assert site.engine.alarms()  # it stands, and the operator sees it
    site.close()


def test_cut_short_it_is_done_once_more(tmp_path, in_time):
    """After any portion, and right before the end: the mark stands, the next try comes to the same."""
    everything, told, _ = in_time
    site = Site(tmp_path)
    missing = held_back(everything, site.layout, *LINKS[0])
    for part in in_rounds(some(everything, ~missing)):
        site.feed(part)
    site.feed(some(everything, missing))
    (mark,) = site.reader.backfill_marks()
    for portions in (0, 1, 99):
        filling = Filling(site.reader, site.layout, mark)
        for number, portion in enumerate(filling.portions()):
            if number >= portions:
                break
            with site.writer.transaction() as tx:
                filling.put(tx, portion)
        assert site.reader.backfill_marks() == [mark]
    site.fill()
    assert site.told() == told
    site.close()


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_split_gives_the_same(tmp_path_factory, in_time, data):
    """Random samples are late, some twice, delivered in random pieces with fillings in between."""
    everything, told, _ = in_time
    rng = np.random.default_rng(data.draw(st.integers(0, 1000)))
    site = Site(tmp_path_factory.mktemp("any"))
    missing = rng.random(len(everything)) < data.draw(st.sampled_from([0.02, 0.3]))
    missing &= everything.time_us < START_US + 7 * HOUR_US
    for part in in_rounds(some(everything, ~missing), 1800):
        site.feed(part)
    waiting = rng.permutation(np.flatnonzero(missing))
    waiting = np.concatenate([waiting, waiting[: len(waiting) // 3]])  # some are delivered twice
    for piece in np.array_split(waiting, data.draw(st.integers(1, 4))):
        (site.feed if data.draw(st.booleans()) else site.import_)(some(everything, np.sort(piece)))
        if data.draw(st.booleans()):
            site.fill()
    site.fill()
    assert site.told() == told
    site.close()
