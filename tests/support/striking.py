"""Kills a service at its commit boundaries: `strike/sitecustomize.py` inside the service, and the stream
that it works on, which flows in small bursts while the service lives and waits while it is dead."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from support.patience import PATIENCE_S
from support.publish import Sent
from support.service import Service, until

STRIKE = Path(__file__).with_name("strike")
BURST_S = 0.05


class Tap:
    """Messages that flow in bursts while it is open. `burst` 0: all that is left, at once."""

    def __init__(self, messages: Sequence[Sent]) -> None:
        self._messages = messages
        self._open = threading.Event()
        self.burst = 15

    def open(self, burst: int) -> None:
        self.burst = burst
        self._open.set()

    def close(self) -> None:
        self._open.clear()

    def __iter__(self) -> Iterator[Sent]:
        for number, message in enumerate(self._messages, start=1):
            if self.burst and number % self.burst == 0:
                time.sleep(BURST_S)
            self._open.wait()
            yield message


class Striker:
    """Starts the service so that it is killed at a boundary, again and again."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self.kills = 0

    def strike(self, at: str, tap: Tap, burst: int = 15) -> None:
        """`at`: as STRIKE_AT. The service must be dead; it is dead again afterwards."""
        path = os.pathsep.join([str(STRIKE), *filter(None, [os.environ.get("PYTHONPATH")])])
        self._service.spawn(PYTHONPATH=path, STRIKE_AT=at)
        try:
            until(lambda: self._struck() or self._service.logged("subscribed"), "the service to listen")
            if not self._struck():
                tap.open(burst)
            until(self._struck, f"the boundary {at!r}", 2 * PATIENCE_S)
        finally:
            tap.close()
        assert self._service.process is not None
        code = self._service.process.returncode
        assert code == -signal.SIGKILL, f"{at}: ended with {code}: {self._service.log()[-3:]}"
        assert not self._service.logged("stopped")
        self._service.kill()
        self.kills += 1

    def _struck(self) -> bool:
        return not self._service.running
