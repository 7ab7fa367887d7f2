"""A real Mosquitto on a private port and folder, to start, stop, kill and restart.

Use the fixtures `broker` (plain, started) and `make_broker` (with options), or the class itself:

    with Broker(tmp_path) as broker:
        client.connect(broker.host, broker.port)
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import pytest

from support.patience import PATIENCE_S


@dataclass(frozen=True)
class TlsFiles:
    """Certificates the broker serves with; `require_client` asks clients for one signed by `ca`."""

    ca: Path
    cert: Path
    key: Path
    require_client: bool = False


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def mosquitto_path() -> str | None:
    """Where the Mosquitto program is; Debian keeps it outside the usual PATH."""
    return shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


class Broker:
    """One Mosquitto process. The port stays the same over restarts; with `persistence` so do the sessions.

    Args:
        folder: private folder for configuration, log and persistence file.
        tls: serve TLS with these files.
        users: name -> password; without it anonymous clients are let in.
        acl: lines of an ACL file.
        max_inflight: broker's limit of unacknowledged messages a client (0: no limit).
        save_on_change: write the persistence file on every change, so that even SIGKILL loses nothing.
        extra: further configuration lines.
        apart: a Ctrl-C at the terminal does not reach it.
    """

    def __init__(
        self,
        folder: Path,
        *,
        port: int | None = None,
        persistence: bool = True,
        save_on_change: bool = False,
        tls: TlsFiles | None = None,
        users: dict[str, str] | None = None,
        acl: tuple[str, ...] = (),
        max_inflight: int = 0,
        extra: tuple[str, ...] = (),
        apart: bool = False,
    ) -> None:
        self.folder = folder
        self._group = 0 if apart else None
        self.host = "127.0.0.1"
        self.port = port or free_port()
        self.process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        self._config = folder / "mosquitto.conf"
        lines = self._basic_lines(max_inflight)
        lines += self._persistence_lines(persistence, save_on_change)
        lines += self._tls_lines(tls) + self._user_lines(users) + self._acl_lines(acl)
        self._config.write_text("\n".join([*lines, *extra, ""]))

    def _basic_lines(self, max_inflight: int) -> list[str]:
        lines = [
            f"listener {self.port} {self.host}",
            f"log_dest file {self.folder / 'mosquitto.log'}",
            "max_queued_messages 0",
            f"max_inflight_messages {max_inflight}",
        ]
        # As root it would become another user and then could not write its folder.
        return [*lines, "user root"] if os.geteuid() == 0 else lines

    def _persistence_lines(self, persistence: bool, save_on_change: bool) -> list[str]:
        if not persistence:
            return ["persistence false"]
        lines = ["persistence true", f"persistence_location {self.folder}/"]
        if save_on_change:
            return [*lines, "autosave_on_changes true", "autosave_interval 1"]
        return [*lines, "autosave_interval 1"]

    def _tls_lines(self, tls: TlsFiles | None) -> list[str]:
        if tls is None:
            return []
        return [
            f"cafile {tls.ca}",
            f"certfile {tls.cert}",
            f"keyfile {tls.key}",
            f"require_certificate {'true' if tls.require_client else 'false'}",
        ]

    def _user_lines(self, users: dict[str, str] | None) -> list[str]:
        if users is None:
            return ["allow_anonymous true"]
        file = self.folder / "passwords"
        file.write_text("".join(f"{name}:{password}\n" for name, password in users.items()))
        file.chmod(0o600)
        subprocess.run(["mosquitto_passwd", "-U", str(file)], check=True, capture_output=True)
        return ["allow_anonymous false", f"password_file {file}"]

    def _acl_lines(self, acl: tuple[str, ...]) -> list[str]:
        if not acl:
            return []
        file = self.folder / "acl"
        file.write_text("\n".join([*acl, ""]))
        file.chmod(0o600)
        return [f"acl_file {file}"]

    def start(self) -> Broker:
        """Start it and wait until it takes connections."""
        program = mosquitto_path()
        if program is None:
            raise RuntimeError("mosquitto is not installed (apt install mosquitto)")
        self.process = subprocess.Popen(
            [program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            process_group=self._group,
        )
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                raise RuntimeError(f"mosquitto ended at once:\n{self.log()}")
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return self
        raise RuntimeError(f"mosquitto took no connection within {PATIENCE_S:g} s:\n{self.log()}")

    def stop(self) -> None:
        """End it the clean way (it saves its sessions)."""
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None

    def kill(self) -> None:
        """SIGKILL: what was not saved is gone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def restart(self) -> Broker:
        """Stop (if running) and start again on the same port and folder."""
        self.stop()
        return self.start()

    def log(self) -> str:
        """What the broker wrote into its log."""
        file = self.folder / "mosquitto.log"
        return file.read_text(errors="replace") if file.exists() else ""

    def __enter__(self) -> Broker:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def publish_command(broker: Broker, topic: str, payload: str, *options: str) -> None:
    """Send one QoS 1 message with Mosquitto's own client, independent of paho."""
    address = ["-h", broker.host, "-p", str(broker.port)]
    command = ["mosquitto_pub", *address, "-q", "1", "-t", topic, "-m", payload, *options]
    subprocess.run(command, check=True, timeout=PATIENCE_S)


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """Make brokers with options of their own; each is started and ended by the fixture."""
    made: list[Broker] = []

    def make(**options: object) -> Broker:
        broker = Broker(tmp_path / f"broker{len(made)}", **options)  # type: ignore[arg-type]
        made.append(broker)
        return broker.start()

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    """A plain, started broker: persistent sessions, anonymous, no TLS, no limit in flight."""
    return make_broker()
