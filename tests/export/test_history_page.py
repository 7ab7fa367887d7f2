"""The page on history, followed from top to bottom as a newcomer would: every example runs as it stands, on a
service with a day on file, one late batch over MQTT and the files that the page shows.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from hissmark.daemon.service import Daemon
from hissmark.site import load_site
from support.broker import Broker, free_port
from support.command import hissmark
from support.patience import PATIENCE_S
from support.publish import Gateway, senml_pack

PAGE = Path(__file__).parents[2] / "service" / "docs" / "history.md"
SITE = """\
name = "North works"
[mqtt]
host = "{host}"
port = {port}
client_id = "hissmark-page"
[[mqtt.source]]
filter = "plant/+/levels"
format = "senml"
[http]
port = {web}
"""
REGISTER = """\
channel,kind,valve,group,position
AX-101,valve,XV-101,North,1
AX-102,valve,XV-102,North,2
AX-201,valve,XV-201,South yard,1
"""
STORED = 3 * 1440
LATER = 3


def blocks(text: str) -> Iterator[tuple[str, str, str]]:
    """(heading, language, code) of every fenced block."""
    heading = ""
    for part in re.finditer(r"^#+ ([^\n]+)$|^```(\w+)\n(.*?)^```$", text, re.M | re.S):
        if part[1]:
            heading = part[1]
        else:
            yield heading, part[2], part[3]


def recorded(path: Path) -> None:
    """A day of three sensors, one sample a minute."""
    times = pd.date_range("2026-03-01T00:00:30", periods=1440, freq="min", tz="UTC")
    rng = np.random.default_rng(1)
    parts = [
        pd.DataFrame({"time": times, "name": name, "value": 25 + rng.normal(0, 0.4, 1440)})
        for name in ("AX-101", "AX-102", "AX-201")
    ]
    pd.concat(parts).to_parquet(path)


@pytest.fixture
def page(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> Iterator[list[tuple[str, str, str]]]:
    """The blocks of the page, the address in them that of a running service; the folder is the current
    one.
    """
    web = free_port()
    folder = tmp_path / "north"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE.format(host=broker.host, port=broker.port, web=web), "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    recorded(tmp_path / "recorded.parquet")
    monkeypatch.chdir(tmp_path)
    assert hissmark("import", "north", "recorded.parquet").returncode == 0
    daemon = Daemon(load_site(folder))
    daemon.start()
    try:
        now_us = time.time_ns() // 1000
        rows = [("AX-101", now_us - i * 1_000_000, 30.0 + i, "dB") for i in range(LATER)]
        gateway, deadline_s = Gateway(broker), time.monotonic() + PATIENCE_S
        while not daemon.reader.newest_arrival():  # again until the service has subscribed
            assert time.monotonic() < deadline_s, "the samples that were published did not arrive"
            gateway.send([("plant/n/levels", senml_pack(rows))])
            time.sleep(0.1)
        yield list(blocks(PAGE.read_text("utf-8").replace("127.0.0.1:8470", f"127.0.0.1:{web}")))
    finally:
        daemon.stop()


def shell(code: str) -> str:
    """What the lines say; each has to succeed."""
    told = ""
    for line in code.replace("\\\n", " ").splitlines():
        words = shlex.split(line)
        if words[0] == "hissmark":
            done = hissmark(*words[1:])
            assert done.returncode == 0, f"{line}: {done.stderr}"
            told += done.stdout + done.stderr
        else:
            assert shutil.which(words[0]), f"{words[0]} is not installed; tests/run installs it"
            ran = subprocess.run(words, capture_output=True, text=True, check=False)
            assert ran.returncode == 0, f"{line}: {ran.stderr}"
            told += ran.stdout
    return told


@pytest.mark.broker
def test_every_example_of_the_page_runs(
    page: list[tuple[str, str, str]], capfd: pytest.CaptureFixture[str]
) -> None:
    """In the order of the page; what is shown is what the page promises."""
    told: dict[str, str] = defaultdict(str)
    files = iter(("long.csv", "wide.csv"))
    for heading, language, code in page:
        if language == "csv":
            Path(next(files)).write_text(code, "utf-8")
        elif language == "sh":
            told[heading] += shell(code)
        elif language == "python" and "pyspark" not in code:
            capfd.readouterr()
            exec(compile(code, f"history.md, {heading}", "exec"), {})
            told[heading] += capfd.readouterr().out
        else:
            assert language in ("text", "python", "sql")  # the queries run in tests/store/test_views.py

    assert re.search(r"2026-03-01\s.*AX-101\s.*1440", told["The files"])
    assert "South" not in told["The files"]
    assert re.search(
        r"Hold 1 is placed: XV-101 stays\.(.|\n)*Hold 1 is released\.", told["How long things are kept"]
    )
    assert "6 samples" in told["In by file"]
    assert "6 are new" in told["In by file"]
    assert len(pd.read_parquet("north.parquet")) == STORED + LATER + 6
    assert len(pd.read_csv("year.csv")) == 1440 + LATER + 3
    out = told["Out by HTTP"]
    assert out.startswith("time,name,n,mean,l10,l50,l90,min,max,how\n2026-03-01T00:00:00.000000Z,AX-101,60,")
    assert len(pd.read_parquet("march.parquet")) == 2 * 1440 + LATER + 6
    assert re.search(r"2026-03-01 23:50:00\+00:00\s+2\d\.\d+\s+2\d\.\d+", out)
    assert f"{2 * 1440 + LATER + 6} samples" in out
    assert f"{LATER} new samples" in told["Following what comes"]
    assert re.search(r"samples\|2026-03-01T00:00:00.000000Z\|South yard\|1440\n", told["Out by SQL"])


def test_paths_are_as_the_page_shows_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The three paths under "The files" are those of an import of that day."""
    (tree,) = [code for heading, language, code in blocks(PAGE.read_text("utf-8")) if language == "text"]
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "site.toml").write_text('name = "North works"\n', "utf-8")
    (tmp_path / "north" / "register.csv").write_text(REGISTER, "utf-8")
    recorded(tmp_path / "recorded.parquet")
    monkeypatch.chdir(tmp_path)
    assert hissmark("import", "north", "recorded.parquet").returncode == 0
    for path in tree.split():
        assert (tmp_path / "north" / "data" / path).is_file(), path


@pytest.mark.slow
def test_spark_reads_the_archive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The page's own words; and every value to the bit. Only where pyspark (400 MB) is installed."""
    pytest.importorskip("pyspark", reason="pyspark is not installed")
    if not shutil.which("java"):
        pytest.skip("Spark wants a Java runtime")
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "site.toml").write_text('name = "North works"\n', "utf-8")
    (tmp_path / "north" / "register.csv").write_text(REGISTER, "utf-8")
    recorded(tmp_path / "recorded.parquet")
    monkeypatch.chdir(tmp_path)
    assert hissmark("import", "north", "recorded.parquet").returncode == 0
    (code,) = [code for _, _, code in blocks(PAGE.read_text("utf-8")) if "pyspark" in code]
    names: dict[str, Any] = {}
    exec(compile(code, "history.md", "exec"), names)
    assert re.search(r"2026-03-01\|AX-101\| +1440\|", capfd.readouterr().out)
    spark = names["spark"]
    frame = spark.read.parquet("north/data/archive/samples").selectExpr("unix_micros(time)", "name", "value")
    expected = pd.read_parquet("recorded.parquet")
    us = expected["time"].dt.as_unit("us").astype("int64")
    rows = zip(us.tolist(), expected["name"], expected["value"].tolist(), strict=True)
    assert sorted(tuple(row) for row in frame.collect()) == sorted(rows)
    for kind in ("minute", "hour"):
        assert spark.read.parquet(f"north/data/archive/{kind}").selectExpr("sum(n)").first()[0] == STORED
    spark.stop()
