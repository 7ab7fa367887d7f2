"""The coarse history: what hours and days of ticks came to, in step with the ticks whatever comes late."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa
from alembic import command

from hissmark.judge.verdicts import Verdict
from hissmark.store import open as opening
from hissmark.store.block_bytes import encode
from hissmark.store.blocks import HOUR_US, UNKNOWN_CODE, Block
from hissmark.store.coarse import SETTLES_US, mark_due, sum_up
from hissmark.store.coarsen import DAY_S, HOUR_S, summed_up
from hissmark.store.schema import tick_blocks
from hissmark.store.tables_coarse import hours_due
from support.blocks import MINUTE_US, make

DAY_US = 24 * HOUR_US
DAY0 = 1_700_000_000_000_000 // DAY_US * DAY_US
CHANNELS = ["a", "b"]


def ticks(first: int, last: int, seed: int = 1) -> Block:
    """Ticks of the minutes [first, last) after `DAY0`, with gaps of single values and real codes."""
    block = make([DAY0 + m * MINUTE_US for m in range(first, last)], CHANNELS, seed)
    rng = np.random.default_rng(seed)
    shape = (len(block), len(CHANNELS))
    codes = {n: rng.integers(0, 7, shape).astype(np.uint8) for n in ("verdict", "reason")}
    levels = {n: np.where(np.isinf(block.column(n)), np.nan, block.column(n)) for n in LEVELS}
    columns = {**levels, **codes, "open_": rng.integers(0, 3, shape).astype(np.uint8)}
    return Block.of(block.channels, block.time_us, columns, {})


LEVELS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "difference_bar")


@pytest.mark.parametrize("every_s", [HOUR_S, DAY_S])
def test_periods_against_pandas(every_s):
    """Lowest, highest and mean of every hour and day as pandas resamples them."""
    block = ticks(37, 3 * 1440 - 11)
    found = summed_up(block, every_s)
    index = pd.to_datetime(block.time_us, unit="us")
    for name, how in (
        ("level_db", ("min", "max")),
        ("rise_db", ("min", "max")),
        ("l50_db", ("mean", "mean")),
    ):
        frame = pd.DataFrame(block.column(name).astype(float), index=index).resample(f"{every_s}s")
        for row, statistic in enumerate(how):
            expected = getattr(frame, statistic)().to_numpy()
            np.testing.assert_allclose(found.column(name)[row::2], expected, rtol=1e-5)


def test_the_verdict_that_asks_for_most_stands_for_the_hour():
    """Passing above contested above spill ... above quiet; its own reason goes with it."""
    order = (Verdict.QUIET, Verdict.NOT_TESTABLE, Verdict.UNSETTLED, Verdict.OUTSIDE_NOISE, Verdict.SPILL,
             Verdict.CONTESTED, Verdict.PASSING)  # fmt: skip
    for worst in range(len(order)):
        block = ticks(0, 30)
        verdict = np.full((30, 2), UNKNOWN_CODE, np.uint8)
        verdict[:, 0] = [order[min(m, worst)] for m in range(30)][::-1]
        columns = {n: block.column(n) for n in (*LEVELS, "reason", "open_")}
        found = summed_up(
            Block.of(block.channels, block.time_us, {**columns, "verdict": verdict}, {}), HOUR_S
        )
        assert found.verdict.tolist() == [[order[worst], UNKNOWN_CODE]] * 2
        first = int(np.flatnonzero(verdict[:, 0] == order[worst])[0])
        assert found.reason[0, 0] == block.reason[first, 0]


def extremes(history):
    return float(np.nanmin(history.level_db)), float(np.nanmax(history.level_db))


def test_what_is_read_is_what_the_ticks_say_before_and_after_summing_up(store):
    """Hours that are due are read from their ticks; in between and afterwards the extremes are the same."""
    writer, block = store.writer(), ticks(0, 2 * 1440)
    with writer.transaction() as tx:
        tx.ticks([("g", block), ("other", block.rows(slice(0, 60)))])
    reader = store.reader()
    span = (DAY0, DAY0 + 2 * DAY_US)
    wanted = (float(np.nanmin(block.level_db[:, 0])), float(np.nanmax(block.level_db[:, 0])))
    assert extremes(reader.coarse_history("g", "a", *span, HOUR_S)) == wanted
    over_us = DAY0 + 30 * HOUR_US + SETTLES_US
    assert sum_up(store.engine(), over_us) == 30 + 1
    for every_s in (HOUR_S, DAY_S):
        assert extremes(reader.coarse_history("g", "a", *span, every_s)) == wanted
    assert sum_up(store.engine(), DAY0 + 3 * DAY_US) == 18
    assert sum_up(store.engine(), DAY0 + 3 * DAY_US) == 0
    for every_s, rows in ((HOUR_S, 96), (DAY_S, 4)):
        history = reader.coarse_history("g", "a", *span, every_s)
        assert (len(history), extremes(history), history.damaged) == (rows, wanted, ())
        assert (np.diff(history.time_us) > 0).all()


def test_ticks_that_come_later_are_in(store):
    """A back-fill into an hour long summed up: seen at once, and in the coarse blocks after a round."""
    writer, reader = store.writer(), store.reader()
    with writer.transaction() as tx:
        tx.ticks([("g", ticks(0, 600))])
    sum_up(store.engine(), DAY0 + DAY_US)
    late = ticks(630, 631)
    late.level_db[0, 0] = 200.0
    with writer.transaction() as tx:
        tx.ticks([("g", late)])
    for _ in range(2):
        history = reader.coarse_history("g", "a", DAY0, DAY0 + DAY_US, HOUR_S)
        assert np.nanmax(history.level_db) == 200.0
        assert (np.diff(history.time_us) > 0).all()
        assert sum_up(store.engine(), DAY0 + DAY_US) in (1, 0)
    assert np.nanmax(reader.coarse_history("g", "a", DAY0, DAY0 + DAY_US, DAY_S).level_db) == 200.0


def test_a_damaged_hour_is_left_out_and_stops_nothing(store):
    with store.writer().transaction() as tx:
        tx.ticks([("g", ticks(0, 180))])
    with store.engine().begin() as connection:
        broken = sa.update(tick_blocks).where(tick_blocks.c.start_us == DAY0 + HOUR_US)
        connection.execute(broken.values(payload=b"HMB1rotten"))
    assert sum_up(store.engine(), DAY0 + DAY_US) == 3
    history = store.reader().coarse_history("g", "a", DAY0, DAY0 + DAY_US, HOUR_S)
    assert (history.time_us // HOUR_US - DAY0 // HOUR_US).tolist() == [0, 0, 2, 2]


def test_an_older_database_is_summed_up_after_the_upgrade(sqlite_store, monkeypatch):
    """Its hours are all due at first; meanwhile the newest are read from their ticks, and the gap is said."""
    upgrade = command.upgrade
    monkeypatch.setattr(command, "upgrade", lambda config, _: upgrade(config, "0007"))
    old = opening.open_store(sqlite_store.url, sqlite_store.folder)
    with old.begin() as connection:
        for hour in range(60):
            part = ticks(hour * 60, hour * 60 + 60)
            row = {"group_name": "g", "start_us": DAY0 + hour * HOUR_US, "ticks": 60, "payload": encode(part)}
            connection.execute(sa.insert(tick_blocks).values(row))
    old.dispose()
    monkeypatch.undo()
    engine, reader = sqlite_store.engine(), sqlite_store.reader()
    with engine.connect() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(hours_due)) == 60
    span = (DAY0, DAY0 + 4 * DAY_US)
    waiting = reader.coarse_history("g", "a", *span, HOUR_S)
    assert len(waiting) == 48 * 60
    assert "still being summed up" in waiting.damaged[0]
    assert sum_up(engine, DAY0 + 4 * DAY_US) == 60
    assert len(reader.coarse_history("g", "a", *span, HOUR_S)) == 120


def test_an_hour_without_ticks_any_more_leaves_nothing(store):
    """Ticks that are taken out for judging again: neither the hour nor its day tells of them."""
    with store.writer().transaction() as tx:
        tx.ticks([("g", ticks(0, 60)), ("g", ticks(120, 180, seed=2))])
    sum_up(store.engine(), DAY0 + DAY_US)
    with store.engine().begin() as connection:
        connection.execute(sa.delete(tick_blocks).where(tick_blocks.c.start_us == DAY0))
        mark_due(connection, [("g", DAY0)])
    sum_up(store.engine(), DAY0 + DAY_US)
    reader, left = store.reader(), ticks(120, 180, seed=2)
    for every_s in (HOUR_S, DAY_S):
        history = reader.coarse_history("g", "a", DAY0, DAY0 + DAY_US, every_s)
        assert len(history) == 2
        assert np.nanmax(history.level_db) == np.nanmax(left.level_db[:, 0])
