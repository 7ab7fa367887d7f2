"""`hissmark demo` as a person runs it: from the command to the page, the alarm, and Ctrl-C."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark.demo.clock import DemoClock
from hissmark.demo.story import S

COMMAND = [sys.executable, "-m", "hissmark.cli.main", "demo", "--port", "0"]
STARTS_S = 40


class Running:
    """The demo in a process of its own, its lines as they come."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.begun = time.monotonic()
        self.temporary = folder / "tmp"
        self.temporary.mkdir()
        env = os.environ | {
            "TMPDIR": str(self.temporary),
            "HISSMARK_STORE_URL": f"sqlite:///{folder}/real.db",
        }
        self.process = subprocess.Popen(
            [*COMMAND, *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=folder,
            env=env,
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip())

    def wait_for(self, pattern: str, seconds: float) -> re.Match[str]:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            for line in list(self.lines):
                if found := re.search(pattern, line):
                    return found
            assert self.process.poll() is None, self.lines
            time.sleep(0.1)
        raise AssertionError(f"no {pattern!r} within {seconds} s; got {self.lines}")

    def interrupt(self) -> int:
        self.process.send_signal(signal.SIGINT)
        code = self.process.wait(15)
        self._reader.join(5)
        return code


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    demo = Running(tmp_path)
    yield demo
    if demo.process.poll() is None:
        demo.process.kill()
        demo.process.wait()


def fetch(address: str) -> bytes:
    with urllib.request.urlopen(address, timeout=5) as answer:
        return bytes(answer.read())


def standing(address: str) -> list[tuple[str, str]]:
    """Alarms by the API; it may hear of one a moment after it is on record."""
    deadline = time.monotonic() + 5
    while True:
        alarms = json.loads(fetch(f"{address}/api/v1/alarms"))["alarms"]
        if alarms or time.monotonic() > deadline:
            return [(a["valve"], a["alarm"]) for a in alarms]
        time.sleep(0.1)


def test_from_the_command_to_the_alarm_that_names_the_valve(running: Running, tmp_path: Path) -> None:
    """Page within seconds, `passing` with the leaking valve within a minute, Ctrl-C ends all with exit 0."""
    address = running.wait_for(r"Page: (http://127\.0\.0\.1:\d+)", STARTS_S)[1]
    assert b"<html" in fetch(address).lower()
    leaking = running.wait_for(r"in the plant: +(\S+) begins to leak", 15)[1]
    named = running.wait_for(r"hissmark: +(\S+): passing raised", 60 - (time.monotonic() - running.begun))[1]
    assert named == leaking
    assert standing(address) == [(leaking, "passing")]
    began = time.monotonic()
    assert running.interrupt() == 0
    assert time.monotonic() - began < 10
    assert running.lines[-1] == "Stopped."
    assert "Traceback" not in "\n".join(running.lines)
    assert list(running.temporary.iterdir()) == [], "the temporary site is removed"
    assert not (tmp_path / "real.db").exists(), "the demo never writes into a configured database"


def test_ctrl_c_while_it_is_still_learning(running: Running) -> None:
    running.wait_for("Learning", STARTS_S)
    assert running.interrupt() == 0
    assert running.lines[-1] == "Stopped."


def test_a_port_that_is_taken_is_said_at_once(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        words = [*COMMAND[:-1], str(port)]
        done = subprocess.run(
            words, capture_output=True, text=True, timeout=STARTS_S, cwd=tmp_path, check=False
        )
    assert done.returncode == 1
    assert f"port {port} is taken" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_clock_stands_still_then_runs_fast_and_never_ahead() -> None:
    clock = DemoClock(60)
    assert clock.now_us() == clock.live_us <= (time.time() - 2 * 86_400) * S
    time.sleep(0.05)
    assert clock.now_us() == clock.live_us
    clock.go()
    time.sleep(0.2)
    assert 0.2 * 60 <= (clock.now_us() - clock.live_us) / S < 5 * 60
    caught_up = DemoClock(1000, live_us=int(time.time()) * S - 20 * S)
    caught_up.go()
    time.sleep(0.1)
    assert caught_up.now_us() == pytest.approx(time.time() * S, abs=0.5 * S)
