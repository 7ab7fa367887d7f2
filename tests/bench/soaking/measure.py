"""One row of measurements: of the service's process by /proc, of its work by its own metrics."""

from __future__ import annotations

import re
import time
import urllib.request
from dataclasses import dataclass, fields
from pathlib import Path

from support.service import Service

ASKED = ("/api/v1/alarms", "/api/v1/valves?limit=50", "/health/ready")
TIMEOUT_S = 30.0
NONE = float("nan")


@dataclass(frozen=True)
class Row:
    """One line of the CSV. What could not be found out is empty.

    Attributes:
        at_s: since the start of the run. sent: samples sent. stored: samples stored.
        publisher_behind_s: by how much the plant's gateway was late with sending (a busy machine).
        lag_s: mean time from receipt to commit since the row before. behind_s: age of what was being stored.
        queue_messages, queue_bytes: between broker and store.
        rss_mb, pss_mb: memory of the service. descriptors, threads: open in the service.
        wal_mb, database_mb: size of SQLite's files. broker_mb: memory of the broker, which holds what waits.
        answer_s: the slowest of a few questions to the HTTP side. alarms: active ones.
    """

    at_s: float
    sent: float
    stored: float
    publisher_behind_s: float
    lag_s: float
    behind_s: float
    queue_messages: float
    queue_bytes: float
    rss_mb: float
    pss_mb: float
    descriptors: float
    threads: float
    wal_mb: float
    database_mb: float
    broker_mb: float
    answer_s: float
    alarms: float


NAMES = [f.name for f in fields(Row)]


class Measure:
    """Looks at a service and its broker."""

    def __init__(self, service: Service, broker_pid: int, began_s: float) -> None:
        self._service, self._broker_pid, self._began_s = service, broker_pid, began_s
        self._lag = (0.0, 0.0)

    def row(self, sent: int, behind_s: float) -> Row:
        """Now. A question that is not answered in time leaves its cells empty."""
        assert self._service.process is not None
        pid = self._service.process.pid
        found, answer_s = self._metrics(), self._answer_s()
        data = self._service.folder / "data" / "hissmark.db"
        return Row(
            time.time() - self._began_s, sent, _one(found, "hissmark_samples_total"), behind_s,
            self._lag_s(found), _one(found, "hissmark_ingest_behind_seconds"),
            _one(found, "hissmark_queue_messages"), _one(found, "hissmark_queue_bytes"),
            memory_mb(pid, "Rss"), memory_mb(pid, "Pss"), _entries(pid, "fd"), _entries(pid, "task"),
            _size_mb(Path(f"{data}-wal")), _size_mb(data), memory_mb(self._broker_pid, "Rss"), answer_s,
            sum(v for k, v in found.items() if k.startswith("hissmark_alarms_active")) if found else NONE,
        )  # fmt: skip

    def _metrics(self) -> dict[str, float]:
        try:
            text = self._get("/metrics").decode()
        except OSError:
            return {}
        rows = re.findall(r"^(hissmark_(?:samples_total|ingest_|queue_|alarms_active)\S*) (\S+)$", text, re.M)
        return {name: float(value) for name, value in rows}

    def _answer_s(self) -> float:
        slowest_s = 0.0
        for path in ASKED:
            began_s = time.monotonic()
            try:
                self._get(path)
            except OSError:
                return NONE
            slowest_s = max(slowest_s, time.monotonic() - began_s)
        return slowest_s

    def _get(self, path: str) -> bytes:
        url = f"http://127.0.0.1:{self._service.port}{path}"
        with urllib.request.urlopen(url, timeout=TIMEOUT_S) as answer:
            return bytes(answer.read())

    def _lag_s(self, found: dict[str, float]) -> float:
        name = "hissmark_ingest_lag_seconds"
        now = _one(found, f"{name}_sum"), _one(found, f"{name}_count")
        more = now[0] - self._lag[0], now[1] - self._lag[1]
        if not found:
            return NONE
        self._lag = now
        return more[0] / more[1] if more[1] else NONE


def memory_mb(pid: int, what: str) -> float:
    """`Rss` or `Pss` of a process (proc(5), smaps_rollup)."""
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return NONE
    found = re.search(rf"^{what}:\s+(\d+) kB", text, re.M)
    return int(found[1]) / 1024 if found else NONE


def _one(found: dict[str, float], name: str) -> float:
    return found.get(name, NONE)


def _entries(pid: int, what: str) -> float:
    try:
        return float(sum(1 for _ in Path(f"/proc/{pid}/{what}").iterdir()))
    except OSError:
        return NONE


def _size_mb(file: Path) -> float:
    try:
        return file.stat().st_size / 2**20
    except OSError:
        return NONE
