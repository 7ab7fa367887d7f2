"""Plays the plant's gateways: publishes what its sensors measured, as time goes by."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.demo.plant import Plant
from hissmark.demo.senml import Packer

ROUND_S = 0.5
_ACK_S = 5.0
_CONNECT_S = 10.0

log = logging.getLogger(__name__)


class Publisher:
    """A thread that twice a second publishes all samples since the last round, QoS 1.

    A round ends when the broker has acknowledged all of it, so the embedded broker is never flooded.
    """

    def __init__(self, plant: Plant, now_us: Callable[[], int], port: int) -> None:
        self._plant = plant
        self._packer = Packer(plant)
        self._now_us = now_us
        self._port = port
        self._stop = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="tarnwick-gateway", protocol=MQTTProtocolVersion.MQTTv311
        )
        self._thread = threading.Thread(target=self._run, name="demo-publisher", daemon=True)
        self.published_us = 0

    def start(self) -> None:
        """Connect and publish from the clock's present time on. Raises RuntimeError without a broker."""
        connected = threading.Event()
        self._client.on_connect = lambda *_: connected.set()
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        if not connected.wait(_CONNECT_S):
            self._client.loop_stop()
            raise RuntimeError("the demo's gateway could not reach the embedded broker")
        self.published_us = self._now_us()
        self._thread.start()

    def stop(self) -> None:
        """End after the present round."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_ACK_S + 1)
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        while not self._stop.wait(ROUND_S):
            try:
                self._round()
            except Exception:  # the thread must live on: what was not sent is sent next round
                log.exception("the demo's gateway could not publish; trying again")

    def _round(self) -> None:
        until_us = self._now_us()
        batch = self._plant.samples(self.published_us, until_us)
        sent = [self._client.publish(topic, pack, qos=1) for topic, pack in self._packer.packs(batch)]
        self.published_us = until_us
        for info in sent:
            info.wait_for_publish(_ACK_S)
