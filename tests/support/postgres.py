"""A real PostgreSQL on a private port and folder, started by the tests and stopped after them.

Fixtures: `postgres` (one server a test session) and `postgres_url` (an empty database of one's own).
PostgreSQL refuses to run as root; then it runs as the system user `postgres`.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import psycopg
import pytest

from support.broker import free_port
from support.patience import PATIENCE_S

_BINARIES = (*sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True), Path("/usr/bin"))


def find_program(name: str) -> Path | None:
    """A program of PostgreSQL's server; Debian keeps them outside PATH."""
    found = next((folder / name for folder in _BINARIES if (folder / name).exists()), None)
    if found is None and (on_path := shutil.which(name)):
        return Path(on_path)
    return found


def _as_owner() -> dict[str, Any]:
    """Arguments for subprocess: whom to run the server as."""
    if os.geteuid() != 0:
        return {}
    account = pwd.getpwnam("postgres")
    return {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}


class Postgres:
    """One PostgreSQL server. Folder and port stay over restarts.

    Args:
        durable: keep fsync on. Tests of our own logic do without; measurements do not.
        copy_of: a running server whose standby this is to be.
        also_on: another address of this machine at which it takes everybody.
    """

    def __init__(
        self, *, durable: bool = False, copy_of: Postgres | None = None, also_on: str | None = None
    ) -> None:
        self.host, self.port, self.user = "127.0.0.1", free_port(), "hissmark"
        self._hosts = [self.host] if also_on is None else [self.host, also_on]
        self._folder = Path(tempfile.mkdtemp(prefix="hm-pg-"))  # short: socket paths end at 107 bytes
        self._durable = durable
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0
        if os.geteuid() == 0:
            os.chown(self._folder, pwd.getpwnam("postgres").pw_uid, -1)
        if copy_of is None:
            self._initdb()
        else:
            self._copy(copy_of)
        if also_on is not None:
            with (self._data / "pg_hba.conf").open("a") as rules:
                rules.write("host all all samenet trust\n")

    def _copy(self, primary: Postgres) -> None:
        """Take the primary's files; `-R` writes how to follow it."""
        command = [find_program("pg_basebackup"), "-D", self._data, "-R", "-X", "stream", "-c", "fast"]
        command += ["-h", primary.host, "-p", str(primary.port), "-U", primary.user, "--no-sync"]
        subprocess.run(command, capture_output=True, check=True, cwd=self._folder, **_as_owner())

    def _initdb(self) -> None:
        command = [find_program("initdb"), "-D", self._data, "-U", self.user, "-A", "trust", "-E", "UTF8"]
        command += ["--locale=C", "--no-sync"]
        done = subprocess.run(command, capture_output=True, text=True, cwd=self._folder, **_as_owner())
        if done.returncode:
            raise RuntimeError(f"initdb failed: {done.stderr}")

    @property
    def _data(self) -> Path:
        return self._folder / "data"

    @property
    def log(self) -> str:
        return (self._folder / "log").read_text(errors="replace")

    def start(self) -> None:
        """Start and wait until it answers."""
        command = [
            find_program("postgres"),
            "-D",
            self._data,
            "-p",
            str(self.port),
            "-h",
            ",".join(self._hosts),
        ]
        command += ["-k", self._folder, "-c", f"fsync={'on' if self._durable else 'off'}"]
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(part) for part in command],
                stdout=log,
                stderr=log,
                cwd=self._folder,
                process_group=0,  # a Ctrl-C at the terminal does not reach it
                **_as_owner(),
            )
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                self.execute("SELECT 1")
                return
            except psycopg.OperationalError:
                if time.monotonic() > deadline or self._process.poll() is not None:
                    raise RuntimeError(f"PostgreSQL did not start: {self.log}") from None
                time.sleep(0.05)

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Stop: SIGINT ends sessions and shuts down cleanly, SIGQUIT drops everything as a crash does."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(PATIENCE_S)
            self._process = None

    def execute(self, statement: str, database: str = "postgres") -> list[tuple[Any, ...]]:
        """Run a statement outside any transaction; returns the rows if there are any."""
        with psycopg.connect(self._conninfo(database), autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []

    def _conninfo(self, database: str) -> str:
        return f"host={self.host} port={self.port} user={self.user} dbname={database} connect_timeout=60"

    def url(self, database: str) -> str:
        """Address for `[store] url`."""
        return f"postgresql+psycopg://{self.user}@{self.host}:{self.port}/{database}"

    def new_database(self) -> str:
        """Make an empty database; returns its name."""
        self._databases += 1
        name = f"test_{self._databases}"
        self.execute(f"CREATE DATABASE {name}")
        return name

    def drop_database(self, name: str) -> None:
        self.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def require_password(self, user: str, password: str) -> None:
        """Make a user that the server lets in with a password only."""
        self.execute(f"CREATE ROLE {user} LOGIN PASSWORD '{password}'")
        rules = self._data / "pg_hba.conf"
        rules.write_text(f"host all {user} all scram-sha-256\n{rules.read_text()}")
        self.execute("SELECT pg_reload_conf()")

    def __enter__(self) -> Postgres:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        shutil.rmtree(self._folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One server for all tests of the session."""
    if find_program("initdb") is None:
        pytest.skip("PostgreSQL's server is not installed (apt install postgresql)")
    with Postgres() as server:
        yield server


@pytest.fixture
def postgres_url(postgres: Postgres) -> Iterator[str]:
    """An empty database of one's own."""
    name = postgres.new_database()
    yield postgres.url(name)
    postgres.drop_database(name)
