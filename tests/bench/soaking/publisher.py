"""The plant's gateway in a process of its own, so that what measures does not slow it down."""

from __future__ import annotations

from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.context import SpawnProcess
from multiprocessing.sharedctypes import Synchronized
from multiprocessing.synchronize import Event
from types import TracebackType

from soaking.plant import Plant
from support.broker import Broker
from support.publish import Gateway

WINDOW = 2000
END_S = 120.0
_spawn = get_context("spawn")


@dataclass(frozen=True)
class _Address:
    """As much of a broker as a gateway needs, for another process."""

    host: str
    port: int


@dataclass
class Told:
    """What the publisher tells: samples sent, seconds that it is behind, whether it shall end."""

    sent: Synchronized[int] = field(default_factory=lambda: _spawn.Value("q", 0))
    behind_s: Synchronized[float] = field(default_factory=lambda: _spawn.Value("d", 0.0))
    end: Event = field(default_factory=_spawn.Event)


class Publisher:
    """Sends until the block ends; then every message has been acknowledged by the broker."""

    def __init__(self, broker: Broker, plant: Plant, start_s: float) -> None:
        self.told = Told()
        args = (_Address(broker.host, broker.port), plant, start_s, self.told)
        self._process: SpawnProcess = _spawn.Process(target=_run, args=args, daemon=True)

    @property
    def alive(self) -> bool:
        return self._process.is_alive()

    def end(self) -> None:
        """Send no more; wait for what is out."""
        self.told.end.set()
        self._process.join(END_S)

    def __enter__(self) -> Publisher:
        self._process.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()
        if self.alive:
            self._process.kill()


def _run(address: _Address, plant: Plant, start_s: float, told: Told) -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is for who started us; we are told by the event

    before = list(plant.before(start_s))

    def tell(sent: int, behind_s: float) -> None:
        told.sent.value, told.behind_s.value = 60 * len(before) + sent, behind_s

    gateway = Gateway(address, window=WINDOW)  # type: ignore[arg-type] # it needs no more of a broker
    gateway.send(before)
    gateway.send(plant.live(start_s, told.end.is_set, tell))
