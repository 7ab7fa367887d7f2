"""Replay as a whole: the journal depends on the samples and on nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from hissmark.decode.columns import Batch
from hissmark.demo.folder import write_site
from hissmark.demo.plant import Plant
from hissmark.demo.story import S, Story
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.publish.times import rfc3339
from hissmark.replay import replay, sources
from hissmark.replay.replay import ReplaySummary, replay_files
from hissmark.replay.rows import ReplayError
from hissmark.replay.shards import split
from hissmark.site.load import Site, load_site
from support.sample_files import of_kind, picked, write_csv, write_parquet

LIVE_US = 1_790_000_000 * S // (60 * S) * (60 * S)
HOUR_US = 3600 * S
PLANT = Plant(1, Story.told(1, LIVE_US, 60))
FROM_US, TO_US = LIVE_US - 4 * HOUR_US, LIVE_US + 3 * HOUR_US + HOUR_US // 4


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    write_site(folder, 1883, 8470)
    settings = folder / "site.toml"
    text = settings.read_text()
    for slow, quick in (("learn_s = 14400", "learn_s = 7200"), ("learn_windows = 24", "learn_windows = 10")):
        assert slow in text
        text = text.replace(slow, quick)
    settings.write_text(text)
    return load_site(folder)


@pytest.fixture(scope="module")
def samples() -> Batch:
    return PLANT.samples(FROM_US, TO_US)


@pytest.fixture(scope="module")
def files(samples: Batch, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("files")
    return (
        write_parquet(folder / "levels.parquet", PLANT.names, of_kind(PLANT, samples, level=True)),
        write_parquet(folder / "process.parquet", PLANT.names, of_kind(PLANT, samples, level=False)),
    )


@pytest.fixture(scope="module")
def reference(site: Site, files: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """The journal of the plain case: files in order, one process."""
    out = tmp_path_factory.mktemp("reference") / "journal.jsonl"
    replay_files(site, [files[0]], [files[1]], out, workers=1)
    return out.read_bytes().splitlines()


def journal(site: Site, out: Path, levels: list[Path], process: list[Path], **how: object) -> list[bytes]:
    replay_files(site, levels, process, out, **how)  # type: ignore[arg-type]
    return out.read_bytes().splitlines()


def test_the_leak_is_named_and_its_repair_seen(reference: list[bytes]) -> None:
    rows = [json.loads(line) for line in reference]
    leak = PLANT.story.leaks[0]
    found = [(r["valve"], r["event"]) for r in rows if r["alarm"] == "passing"]
    assert found[:2] == [(leak.valve, "raised"), (leak.valve, "cleared")]
    raised, cleared = (r["at"] for r in rows if r["valve"] == leak.valve)
    assert rfc3339(leak.start_us) < raised < rfc3339(leak.end_us) < cleared
    assert [r["seq"] for r in rows] == list(range(1, len(rows) + 1))
    assert {r["recorded_at"] for r in rows} == {None}


def test_the_lines_have_the_fields_of_the_contract(reference: list[bytes]) -> None:
    fields = {
        "seq", "at", "recorded_at", "valve", "group", "alarm", "event", "state", "priority", "rise_db",
        "margin_db", "reason", "operator", "comment",
    }  # fmt: skip
    assert reference
    assert all(fields <= json.loads(line).keys() for line in reference)


def test_it_is_what_the_engine_says_when_fed_message_by_message(
    site: Site, samples: Batch, reference: list[bytes]
) -> None:
    """The daemon's way: small batches as they arrive, a tick as soon as it may close."""
    layout = Layout.of(site.register, site.core)
    known = layout.series_index()
    renamed = np.array([known[n] for n in PLANT.names], np.int32)[samples.series]
    engine = Engine(layout)
    found = []
    edges = np.searchsorted(samples.time_us, np.arange(FROM_US, TO_US + 1, 47 * S))
    for start, end in zip(edges, [*edges[1:], len(samples)], strict=True):
        part = slice(start, end)
        engine.accept(Batch(renamed[part], samples.time_us[part], samples.value[part], samples.flags[part]))
        found += [entry for tick in engine.advance() for entry in tick.entries]
    expected = sorted((rfc3339(e.at_us), e.group, e.valve, e.event.value, e.rise_db) for e in found)
    lines = [json.loads(line) for line in reference]
    assert sorted((r["at"], r["group"], r["valve"], r["event"], r["rise_db"]) for r in lines) == [
        (at, group, valve, event, pytest.approx(rise, abs=0.006))
        for at, group, valve, event, rise in expected
    ]


@pytest.mark.parametrize("workers", [2, pytest.param(50, marks=pytest.mark.slow)])
def test_the_number_of_processes_changes_nothing(
    site: Site, files: tuple[Path, Path], tmp_path: Path, reference: list[bytes], workers: int
) -> None:
    assert journal(site, tmp_path / "j", [files[0]], [files[1]], workers=workers) == reference


@pytest.mark.parametrize("kind", ["csv", "one file", "many files"])
def test_the_kind_of_file_changes_nothing(
    site: Site, samples: Batch, files: tuple[Path, Path], tmp_path: Path, reference: list[bytes], kind: str
) -> None:
    process = [files[1]]
    if kind == "one file":
        levels, process = [write_parquet(tmp_path / "all.parquet", PLANT.names, samples, "ns")], []
    elif kind == "many files":
        parts = np.array_split(np.arange(len(samples)), 5)
        levels = [
            write_parquet(tmp_path / f"{i}.parquet", PLANT.names, picked(samples, rows))
            for i, rows in enumerate(parts)
        ][::-1]
        process = []
    else:
        only = of_kind(PLANT, samples, level=True)
        levels = [write_csv(tmp_path / "levels.csv", PLANT.names, only)]
    assert journal(site, tmp_path / "j", levels, process, workers=1) == reference


@pytest.mark.parametrize(
    ("jumble", "workers"),
    [
        ("within lateness", 1),
        ("by channel", 1),
        ("shuffled", 2),
        pytest.param("backwards", 1, marks=pytest.mark.slow),
    ],
)
def test_the_order_of_rows_changes_nothing(
    site: Site, samples: Batch, tmp_path: Path, reference: list[bytes], jumble: str, workers: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(sources, "MAX_BUFFERED_ROWS", 10_000)
    random = np.random.default_rng(3)
    order = {
        "within lateness": np.argsort(
            samples.time_us + random.integers(0, 50 * S, len(samples)), kind="stable"
        ),
        "by channel": np.argsort(samples.series, kind="stable"),
        "shuffled": random.permutation(len(samples)),
        "backwards": np.arange(len(samples))[::-1],
    }[jumble]
    path = write_parquet(tmp_path / "jumbled.parquet", PLANT.names, picked(samples, order))
    done = replay_files(site, [path], [], tmp_path / "j", workers=workers)
    assert (tmp_path / "j").read_bytes().splitlines() == reference
    assert done.late == 0
    assert (done.sorted_files == (path,)) == (jumble != "within lateness")
    assert list(tmp_path.glob(".hissmark-replay-*")) == [], "temporary files are gone"


def test_bad_rows_and_unknown_names_are_reported_and_change_nothing(
    site: Site, samples: Batch, files: tuple[Path, Path], tmp_path: Path, reference: list[bytes]
) -> None:
    path = write_csv(tmp_path / "levels.csv", PLANT.names, of_kind(PLANT, samples, level=True))
    lines = path.read_text().splitlines()
    lines[500:500] = ["never,AE-104,30", "2026-01-01T00:00:00Z,AE-104,loud", "2026-01-01T00:00:00Z,AE-999,30"]
    path.write_text("\n".join(lines) + "\n")
    done = replay_files(site, [path], [files[1]], tmp_path / "j", workers=1)
    assert (tmp_path / "j").read_bytes().splitlines() == reference
    assert [(b.row, str(b.reason)) for b in done.tally.bad_rows] == [(500, "bad-time"), (501, "wrong-type")]
    assert dict(done.tally.unknown) == {"AE-999": 1}


def test_from_and_to(site: Site, files: tuple[Path, Path], tmp_path: Path) -> None:
    done = replay_files(
        site, [files[0]], [files[1]], tmp_path / "j", from_us=LIVE_US, to_us=LIVE_US + HOUR_US, workers=1
    )
    expected = PLANT.samples(LIVE_US, LIVE_US + HOUR_US)
    assert done.samples == len(expected)
    assert (done.first_us, done.last_us) == (expected.time_us[0], expected.time_us[-1])
    assert done.entries == []  # an hour is not enough to learn a background


def test_progress_reaches_the_end(site: Site, files: tuple[Path, Path], tmp_path: Path) -> None:
    seen: list[tuple[str, int, int | None]] = []
    done: ReplaySummary = replay_files(
        site, [files[0]], [files[1]], tmp_path / "j", to_us=FROM_US + HOUR_US, workers=2,
        progress=lambda stage, rows, total: seen.append((stage, rows, total)),
    )  # fmt: skip
    assert {stage for stage, _, _ in seen} == {replay.READING, replay.JUDGING}
    stage, rows, total = seen[-1]
    assert (stage, rows) == (replay.JUDGING, total)
    assert done.workers == 2


def test_nothing_to_replay_is_said(site: Site, files: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(ReplayError, match="name at least one file"):
        replay_files(site, [], [], tmp_path / "j")
    with pytest.raises(ReplayError, match="--from is not before --to"):
        replay_files(site, [files[0]], [], tmp_path / "j", from_us=TO_US, to_us=TO_US)
    with pytest.raises(ReplayError, match="no such file"):
        replay_files(site, [tmp_path / "missing.csv"], [], tmp_path / "j")
    assert not (tmp_path / "j").exists()


def test_a_worker_that_fails_is_heard(
    site: Site, files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is cut short between the two passes: each process reports it, and no journal is written."""
    whole = files[0].read_bytes()
    path = tmp_path / "levels.parquet"
    path.write_bytes(whole)
    original = replay.split

    def cut_short(*args: object) -> object:
        path.write_bytes(whole[: len(whole) // 2])
        return original(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(replay, "split", cut_short)
    with pytest.raises(ReplayError, match="cannot be read"):
        replay_files(site, [path], [], tmp_path / "j", workers=2)
    assert not (tmp_path / "j").exists()


def test_shares_are_even_and_complete(site: Site) -> None:
    shares = split(site.register, 2)
    assert sorted(g for s in shares for g in s.groups) == sorted(site.register.groups)
    sizes = [len(s.channels) for s in shares]
    assert max(sizes) - min(sizes) <= max(map(len, site.register.groups.values()))
    assert len(split(site.register, 99)) == 5
