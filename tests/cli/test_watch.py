"""`hissmark watch`: one look into a pipe, and live on a real terminal."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from cli import known_site as known
from cli.known_site import hissmark
from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState
from hissmark.cli.moments import now_us
from hissmark.cli.view import BLOCKS, skyline
from hissmark.publish.times import rfc3339
from hissmark.store import Writer, open_store
from hissmark.store.records import Reading


def save_reading(folder: Path, age_s: float) -> None:
    """The panel's reading as if its channels had been heard so long ago, and a sample of that age."""
    reading = known.panel_reading()
    heard = rfc3339(now_us() - int(age_s * 1e6))
    for channel in reading["channels"]:
        channel["last_heard"] = heard
    reading["explanation"]["sentence"] = "XV-101 is passing: 14 dB over its background."
    engine = open_store("sqlite:///data/hissmark.db", folder)
    with Writer(engine, known.NAMES) as writer, writer.transaction() as tx:
        tx.readings([Reading("panel", now_us(), msgspec.json.encode(reading).decode())])
    engine.dispose()
    known.add_recent_sample(folder, age_s)


def test_one_look_tells_alarms_as_sentences_and_groups_as_skylines(site: Path) -> None:
    save_reading(site, 20)
    text = hissmark("watch", str(site), "--once").stdout
    lines = text.splitlines()
    assert lines[0].startswith("North works   ")
    assert "newest data 2" in lines[0]
    assert any(
        line.startswith("! high   XV-101 is passing: 14 dB over its background for ") for line in lines
    )
    assert "panel   ▅ ▃ ▁°  XV-101 is passing: 14 dB over its background." in lines
    assert "header  waiting for its first judgement" in lines
    assert "not proof of isolation" in text
    assert "\x1b" not in text
    assert all(line == line.rstrip() for line in lines)


def test_what_is_old_never_looks_calm(site: Path) -> None:
    save_reading(site, 3600)
    text = hissmark("watch", str(site), "--once").stdout
    assert "NO FRESH DATA: newest data 1 h ago" in text
    assert "old: heard last 1 h ago" in text
    (alarm,) = [line for line in text.splitlines() if line.startswith("!")]
    assert alarm.startswith("! high   (old: heard last 1 h ago) XV-101 is passing")


def test_a_site_that_has_never_run_says_so(fresh_site: Path) -> None:
    done = hissmark("watch", str(fresh_site), "--once")
    assert done.returncode == 1
    assert "there is no database yet" in done.stderr


@pytest.mark.parametrize(
    ("rise", "block"),
    [(-4.0, "▁"), (0.0, "▁"), (2.9, "▁"), (3.0, "▂"), (14.2, "▅"), (21.0, "█"), (60.0, "█")],
)
def test_a_block_is_three_decibels_a_step(rise: float, block: str) -> None:
    reading = known.channel_reading("A", "XV-1", "quiet", "at background", rise)
    assert skyline([reading], 10) == block  # type: ignore[list-item]


def test_what_cannot_be_told_is_no_block_and_a_long_group_is_cut() -> None:
    blind = known.channel_reading("A", "XV-1", "not testable", "open", 9.0)
    broken = known.channel_reading("B", "XV-2", "not testable", "sensor fault", 9.0) | {"health": "silent"}
    assert skyline([blind, broken], 10) == "· ×"  # type: ignore[list-item]
    many = [known.channel_reading("A", "XV-1", "quiet", "at background", 0.0)] * 50
    line = skyline(many, 20)  # type: ignore[arg-type]
    assert (len(line), line[-1]) == (19, "…")
    assert set(line) <= {*BLOCKS, " ", "…"}


def _heed_interrupts() -> None:
    """A shell that starts the tests in the background lets them ignore SIGINT, and whom they start."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


class Terminal:
    """The command on a terminal of its own."""

    def __init__(self, *words: str) -> None:
        self.screen, process_side = pty.openpty()
        termios.tcsetwinsize(process_side, (30, 120))
        self.before = termios.tcgetattr(process_side)
        self.process_side = process_side
        self.seen = b""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "hissmark.cli.main", *words], stdin=process_side, stdout=process_side,
            stderr=process_side, env={**os.environ, "TERM": "xterm-256color"}, preexec_fn=_heed_interrupts,
        )  # fmt: skip

    def until(self, text: str, patience_s: float = 30.0) -> None:
        deadline = time.monotonic() + patience_s
        while text.encode() not in self.seen:
            assert time.monotonic() < deadline, f"{text!r} not on {self.seen[-3000:]!r}"
            if select.select([self.screen], [], [], 0.2)[0]:
                self.seen += os.read(self.screen, 65536)

    def press(self, key: str) -> None:
        os.write(self.screen, key.encode())

    def ended(self) -> int:
        deadline = time.monotonic() + 60
        while self.process.poll() is None:
            assert time.monotonic() < deadline, "it did not end"
            if select.select([self.screen], [], [], 0.1)[0]:
                self.seen += os.read(self.screen, 65536)
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.screen)
        os.close(self.process_side)


@pytest.fixture
def terminal(site: Path) -> Iterator[Terminal]:
    save_reading(site, 5)
    made = Terminal("watch", str(site))
    yield made
    made.close()


def test_live_an_alarm_appears_and_q_gives_the_terminal_back(site: Path, terminal: Terminal) -> None:
    terminal.until("XV-101 is passing")
    raised = known.entry(0, "XV-202", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED)
    known.add_entries(site, raised)
    terminal.until("XV-202 is passing", 5.0)
    terminal.press("x")
    terminal.press("q")
    assert terminal.ended() == 0
    assert termios.tcgetattr(terminal.process_side) == terminal.before
    assert b"\x1b[?1049l" in terminal.seen  # the screen that was there before comes back


def test_live_ctrl_c_ends_it_as_quietly(terminal: Terminal) -> None:
    terminal.until("XV-101 is passing")
    terminal.process.send_signal(signal.SIGINT)
    assert terminal.ended() == 0
    assert b"Traceback" not in terminal.seen
