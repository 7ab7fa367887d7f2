"""A plant with a real store, and notifiers made from a site's settings as the service makes them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from hissmark.notify.build import notifier_of
from hissmark.notify.notifier import Notifier
from hissmark.notify.sender import Sender
from hissmark.site import load_site
from hissmark.store import open_store
from hissmark.store.outbox import OutboxRow
from support.invented import STORE_URL, Invented, SetClock, invented

REGISTER = """\
channel,kind,valve,group,position
AS-101,valve,XV-101,North,1
AS-102,valve,XV-102,North,2
AS-201,valve,XV-201,South yard,1
AS-202,valve,XV-202,South yard,2
"""


@dataclass
class Works:
    """The plant and whoever is told of its alarms."""

    folder: Path
    plant: Invented
    broker: tuple[str, int] = ("127.0.0.1", 1)
    _open: ExitStack = field(default_factory=ExitStack)

    @property
    def clock(self) -> SetClock:
        return self.plant.clock

    def notifier(self, tables: str, *, start: bool = True) -> Notifier:
        """A notifier with these ``[[notify...]]`` tables, started."""
        host, port = self.broker
        text = f'name = "North works"\n[mqtt]\nhost = "{host}"\nport = {port}\nclient_id = "hm"\n'
        text += '[[mqtt.source]]\nfilter = "plant/+/levels"\n' + tables
        (self.folder / "site.toml").write_text(text)
        (self.folder / "register.csv").write_text(REGISTER)
        writing = open_store(STORE_URL, self.folder)
        made = notifier_of(load_site(self.folder), writing, self.plant.live)
        self._open.callback(writing.dispose)
        if start:
            made.start()
            self._open.callback(made.stop)
        return made

    def close(self) -> None:
        self._open.close()


def until(condition: Callable[[], Any], what: str, patience_s: float = 10.0) -> Any:
    """Ask until it is true; returns what it gave."""
    deadline = time.monotonic() + patience_s
    while not (found := condition()):
        assert time.monotonic() < deadline, f"waited for {what}"
        time.sleep(0.02)
    return found


def outcomes(notifier: Notifier) -> dict[tuple[str, int, str], str | None]:
    """(receiver, seq, kind) -> what became of it."""
    rows: list[OutboxRow] = notifier.outbox.rows(limit=1000)
    return {(r.planned.receiver, r.planned.seq, r.planned.kind): r.outcome for r in rows}


def settled(notifier: Notifier, count: int) -> dict[tuple[str, int, str], str | None]:
    """Wait until so many rows have an outcome."""
    return until(
        lambda: (
            found
            if len(found := {k: v for k, v in outcomes(notifier).items() if v is not None}) >= count
            else None
        ),
        f"{count} outcomes: {outcomes(notifier)}",
    )


@pytest.fixture
def works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Works]:
    """Two groups of two valves. Retries come quickly."""
    monkeypatch.setattr("hissmark.notify.sender.FIRST_RETRY_S", 0.05)
    monkeypatch.setattr("hissmark.notify.sender.LONGEST_RETRY_S", 0.2)
    monkeypatch.setattr("hissmark.notify.sender.LOOK_S", 0.05)
    monkeypatch.setattr("hissmark.notify.notifier.LOOK_S", 0.05)
    with invented(tmp_path, {"North": 2, "South yard": 2}) as plant:
        made = Works(tmp_path, plant)
        yield made
        made.close()


__all__ = ["Sender", "Works", "outcomes", "settled", "until"]
