"""A real `hissmark run` in a process of its own on a site folder, to start, kill, stop and question.

folder = write_site(tmp_path / "site", broker, REGISTER, tables={"baseline": {"learn_s": 3600}})
with Service(folder) as service:
    ...
    assert service.stop() == 0
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from hissmark.store import open_for_reading
from hissmark.store.errors import StoreError
from hissmark.store.reader import Reader
from support.broker import Broker, free_port
from support.patience import PATIENCE_S

COMMAND = [sys.executable, "-m", "hissmark.cli.main"]

SENML = {"filter": "plant/+/levels", "format": "senml"}
PROCESS = {
    "filter": "plant/+/process/+", "format": "json", "name": "{3}", "value": "/value", "time": "/time",
}  # fmt: skip
JSON = PROCESS | {"filter": "plant/+/json/+", "unit": "dB"}
SOURCES = (SENML, JSON, PROCESS)


def write_site(
    folder: Path,
    broker: Broker,
    register: Sequence[Mapping[str, object]],
    *,
    store_url: str = "sqlite:///data/hissmark.db",
    sources: Sequence[Mapping[str, object]] = SOURCES,
    mqtt: Mapping[str, object] | None = None,
    tables: Mapping[str, Mapping[str, object]] | None = None,
) -> Path:
    """Write site.toml and register.csv with a private port of its own; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    own = {"host": broker.host, "port": broker.port, "client_id": "hissmark-tests", **(mqtt or {})}
    lines = ['name = "Testing works"', *_table("[mqtt]", own)]
    for source in sources:
        lines += _table("[[mqtt.source]]", source)
    # On a busy machine a test may outlast the wait until old samples are filed; here they are counted.
    store = {"url": store_url, "recent_days": 3650}
    lines += _table("[http]", {"port": free_port()}) + _table("[store]", store)
    lines += _table("[log]", {"format": "json"})
    for name, values in (tables or {}).items():
        lines += _table(f"[{name}]", values)
    (folder / "site.toml").write_text("\n".join([*lines, ""]))
    columns = list(dict.fromkeys(key for row in register for key in row))
    rows = [",".join(str(row.get(key, "")) for key in columns) for row in register]
    (folder / "register.csv").write_text("\n".join([",".join(columns), *rows, ""]))
    return folder


def _table(head: str, values: Mapping[str, object]) -> list[str]:
    return ["", head, *(f"{key} = {json.dumps(value)}" for key, value in values.items())]


def until(condition: Callable[[], Any], what: str | Callable[[], str], patience_s: float = PATIENCE_S) -> Any:
    """Ask until it is true; returns what it gave, or fails with what was waited for, told at the end."""
    deadline = time.monotonic() + patience_s
    while not (found := condition()):
        if time.monotonic() >= deadline:
            told = what if isinstance(what, str) else what()
            raise AssertionError(f"waited {patience_s:g} s in vain for {told}")
        time.sleep(0.05)
    return found


def cli(folder: Path, command: str, *options: str, check: bool = True) -> subprocess.CompletedProcess[str]:
    """A command of hissmark on the site, as a person gives it."""
    done = subprocess.run(
        [*COMMAND, command, str(folder), *options],
        capture_output=True,
        text=True,
        timeout=2 * PATIENCE_S,
        check=False,
    )
    assert not check or done.returncode == 0, done.stderr
    return done


def cli_json(folder: Path, command: str, *options: str) -> list[dict[str, Any]]:
    """The lines of a command with `--json`."""
    return [json.loads(line) for line in cli(folder, command, *options, "--json").stdout.splitlines()]


def journal(folder: Path) -> list[dict[str, Any]]:
    """The alarm journal as `hissmark alarms --json` gives it, without when it was put on record."""
    return [{k: v for k, v in row.items() if k != "recorded_at"} for row in cli_json(folder, "alarms")]


def events(rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, str]]:
    """(valve, alarm, event) of each journal line."""
    return [(row["valve"], row["alarm"], row["event"]) for row in rows]


class Service:
    """One `hissmark run`. The folder and its port stay over restarts.

    Args:
        env: added to the environment.
        apart: a Ctrl-C at the terminal does not reach it.
        program: what is run with `run` and the folder; usually the command itself.
    """

    def __init__(
        self,
        folder: Path,
        env: Mapping[str, str] | None = None,
        *,
        apart: bool = False,
        program: Sequence[str] = COMMAND,
    ) -> None:
        self.folder = folder
        self.settings = tomllib.loads((folder / "site.toml").read_text())
        self.port = int(self.settings["http"]["port"])
        self.process: subprocess.Popen[bytes] | None = None
        self._log = folder / "service.log"
        self._env = {**os.environ, **(env or {})}
        self._group = 0 if apart else None
        self._program = list(program)
        self._log_start = 0
        self.stopped_s = 0.0
        """How long the last `stop` took."""

    def spawn(self, **env: str) -> Service:
        """Start the process, with more in its environment if given, and return at once."""
        self._log_start = self._log.stat().st_size if self._log.exists() else 0
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [*self._program, "run", str(self.folder)],
                stdout=log,
                stderr=log,
                env={**self._env, **env},
                process_group=self._group,
            )
        return self

    def start(self, *, connected: bool = True) -> Service:
        """Start, and wait until it has caught up and listens (and its subscriptions stand)."""
        self.spawn().wait_for("listening")
        if connected:
            self.wait_for("subscribed")
        return self

    def kill(self) -> None:
        """SIGKILL."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> int:
        """SIGTERM; returns the exit code. How long it took is in `stopped_s`."""
        assert self.process is not None
        began_s = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(PATIENCE_S)
        finally:
            self.stopped_s = time.monotonic() - began_s
            self.kill()

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    # What it logs.

    def log(self) -> list[dict[str, Any]]:
        """Events since the last start. Anything that is no JSON (a traceback, a warning) is under `event`."""
        with self._log.open("rb") as file:
            file.seek(self._log_start)
            lines = file.read().decode(errors="replace").splitlines()
        return [json.loads(line) if line.startswith("{") else {"event": line} for line in lines if line]

    def logged(self, event: str) -> list[dict[str, Any]]:
        return [row for row in self.log() if row["event"] == event]

    def wait_for(self, event: str, patience_s: float = PATIENCE_S, times: int = 1) -> dict[str, Any]:
        """Wait until it has logged an event (so many times); returns the last one."""

        def found() -> bool:
            assert self.running, f"the service ended: {self.log()}"
            return len(self.logged(event)) >= times

        until(found, lambda: f"{event!r} in the log: {self.log()[-5:]}", patience_s)
        return self.logged(event)[-1]

    # What it answers.

    def get(self, path: str, *, status: int = 200) -> Any:
        """Body of an answer of the HTTP API, decoded."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=PATIENCE_S) as answer:
                found, body = answer.status, answer.read()
        except urllib.error.HTTPError as error:
            found, body = error.code, error.read()
        assert found == status, f"{path}: {found} {body[:500]!r}"
        return json.loads(body)

    def metric(self, name: str) -> float:
        """One metric by its name with labels, e.g. ``hissmark_samples_total``; 0 if not there."""
        url = f"http://127.0.0.1:{self.port}/metrics"
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            text = answer.read().decode()
        found = re.search(rf"^{re.escape(name)} (\S+)$", text, re.MULTILINE)
        return float(found[1]) if found else 0.0

    @contextmanager
    def reader(self) -> Iterator[Reader]:
        """The store, read from beside."""
        reader = Reader(open_for_reading(self.settings["store"]["url"], self.folder))
        try:
            yield reader
        finally:
            reader.close()

    def stored(self) -> int:
        """Samples on record; 0 while there is no store."""
        try:
            with self.reader() as reader:
                return reader.sample_count()
        except StoreError:
            return 0

    def wait_stored(self, count: int, patience_s: float = 2 * PATIENCE_S) -> None:
        """Wait until this many samples are on record."""

        def enough() -> bool:
            assert self.running, f"the service ended: {self.log()[-5:]}"
            return self.stored() >= count

        until(
            enough, lambda: f"{count} samples on record ({self.stored()} are; {self.log()[-3:]})", patience_s
        )

    def samples(self) -> dict[str, tuple[list[int], list[float]]]:
        """Every stored sample: name -> times (us, ascending) and values."""
        with self.reader() as reader:
            names = [row.name for row in reader.series()]
            batches = list(reader.raw(names, 0, 1 << 62))
        series = np.concatenate([b.series for b in batches])
        times = np.concatenate([b.time_us for b in batches])
        values = np.concatenate([b.value for b in batches])
        mine = {name: series == i for i, name in enumerate(names)}
        return {n: (times[m].tolist(), values[m].tolist()) for n, m in mine.items() if m.any()}

    def __enter__(self) -> Service:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
