"""The demo's own MQTT broker, embedded, on a free port of this machine alone.

Enough for a demo and no more: it speaks MQTT 3.1.1, manages some hundred QoS 1 messages a second and keeps
nothing for a client that is away. A plant runs a real broker.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from typing import Any

from amqtt.broker import Broker, BrokerContext  # type: ignore[import-untyped]

from hissmark.daemon.http import AddressError

HOST = "127.0.0.1"
_START_S = 15.0


def free_port(wanted: int = 0) -> int:
    """A TCP port of the loopback that nobody uses just now; the one wanted if it is not 0.

    Raises AddressError if that one is taken.
    """
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, wanted))
        except OSError as error:
            raise AddressError(
                f"port {wanted} is taken ({(error.strerror or str(error)).lower()}). Give another one, or "
                "--port 0 for any that is free."
            ) from error
        return int(probe.getsockname()[1])


class EmbeddedBroker:
    """Runs a broker in a thread with an event loop of its own, from `start` to `stop`."""

    def __init__(self) -> None:
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="demo-broker", daemon=True)
        self._broker: Broker | None = None

    def start(self) -> int:
        """Start on a free port and return it. Raises RuntimeError if the broker does not come up."""
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.CRITICAL)
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(_START_S)
        except Exception as error:
            self.stop()
            raise RuntimeError(f"the embedded broker did not start: {error}") from error
        return self.port

    def stop(self) -> None:
        """Disconnect everybody and end the thread; harmless when not running."""
        if not self._thread.is_alive():
            return
        try:
            asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(_START_S)
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(_START_S)

    @property
    def subscriptions(self) -> int:
        """How many topic filters somebody has subscribed to."""
        return len(BrokerContext(self._broker).subscriptions) if self._broker is not None else 0

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()
        self._cancel_rest()
        self._loop.close()

    def _cancel_rest(self) -> None:
        """Tasks that the broker leaves behind would otherwise complain when collected."""
        tasks = asyncio.all_tasks(self._loop)
        for task in tasks:
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))

    async def _open(self) -> None:
        """Between choosing a port and binding it somebody else may take it: try a few."""
        for attempt in range(5):
            self.port = free_port()
            broker = Broker(_config(self.port), loop=self._loop)
            try:
                await broker.start()
            except Exception:
                if attempt == 4:
                    raise
                continue
            self._broker = broker
            return

    async def _close(self) -> None:
        broker, self._broker = self._broker, None
        if broker is not None:
            await broker.shutdown()


def _config(port: int) -> dict[str, Any]:
    """Loopback only; anybody on this machine may connect; no statistics topics."""
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}", "max_connections": 20}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
