"""The daemon against a real broker: open pages do not delay its end, and it says how its intake stands."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from hissmark.daemon.service import Daemon
from hissmark.site.load import load_site
from hissmark.store.records import CLOCK_OFFSET
from support.broker import Broker, free_port
from support.browser import wait_for
from support.patience import PATIENCE_S

pytestmark = pytest.mark.broker

REGISTER = "channel,kind,valve,group,position\nAX-1,valve,XV-101,panel,1\nAX-2,valve,XV-102,panel,2\n"


def write_site(folder: Path, broker: Broker) -> Path:
    folder.mkdir(parents=True)
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    (folder / "site.toml").write_text(
        f'name = "North works"\n[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n'
        f'client_id = "hissmark-north"\n[[mqtt.source]]\nfilter = "plant/+/levels"\nformat = "senml"\n'
        f"[http]\nport = {free_port()}\n",
        "utf-8",
    )
    return folder


class Behind:
    """A clock three days behind the machine's."""

    def now_us(self) -> int:
        return time.time_ns() // 1000 - 3 * 86_400_000_000


@contextmanager
def running(folder: Path, clock: Any = None) -> Iterator[Daemon]:
    daemon = Daemon(load_site(folder), clock)
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def publish(broker: Broker, topic: str, *payloads: str) -> None:
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for payload in payloads:
        client.publish(topic, payload, qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def metric(daemon: Daemon, name: str) -> float:
    rows = httpx.get(f"{daemon.address}/metrics").text.splitlines()
    return float(next(row.rpartition(" ")[2] for row in rows if row.startswith(f"{name} ")))


def broker_check(daemon: Daemon) -> dict[str, Any]:
    checks = httpx.get(f"{daemon.address}/health/ready").json()["checks"]
    return next(check for check in checks if check["name"] == "broker")


def test_an_open_page_does_not_delay_the_end(tmp_path: Path, broker: Broker) -> None:
    """A browser keeps its event stream open for hours; SIGTERM must not wait for it."""
    ended, opened = threading.Event(), threading.Event()

    def listen(address: str) -> None:
        with httpx.stream("GET", f"{address}/api/v1/events", timeout=PATIENCE_S) as answer:
            for _ in answer.iter_lines():
                opened.set()
        ended.set()

    daemon = Daemon(load_site(write_site(tmp_path / "site", broker)))
    daemon.start()
    page = threading.Thread(target=listen, args=(daemon.address,), daemon=True)
    page.start()
    assert opened.wait(PATIENCE_S)
    wait_for(lambda: daemon.live.health.subscribed, "the subscriptions")
    daemon.stop()
    assert ended.wait(PATIENCE_S), "the stream ends properly, it is not cut off"


def test_ready_only_once_subscribed(tmp_path: Path, broker: Broker) -> None:
    with running(write_site(tmp_path / "site", broker)) as daemon:
        wait_for(lambda: broker_check(daemon)["ok"], "the subscriptions")
        assert metric(daemon, "hissmark_subscribed") == 1
        assert metric(daemon, "hissmark_filters_refused") == 0
        assert metric(daemon, "hissmark_session_losses_total") == 0


def test_a_refused_subscription_is_named(tmp_path: Path) -> None:
    """Connected is not enough: with QoS 0 only, the broker may drop what the service has not stored yet."""
    with (
        Broker(tmp_path / "broker", extra=("max_qos 0",)) as broker,
        running(write_site(tmp_path / "site", broker)) as daemon,
    ):
        wait_for(lambda: daemon.live.health.filters_refused, "the refusal")
        found = broker_check(daemon)
        assert found["ok"] is False
        assert "but the broker refused plant/+/levels: granted at QoS 0 only" in found["detail"]
        assert metric(daemon, "hissmark_filters_refused") == 1
        pulse = httpx.get(f"{daemon.address}/api/v1/now").json()["pulse"]
        assert "refused plant/+/levels" in pulse["trouble"]


def test_a_forgotten_session_is_counted_and_said(tmp_path: Path) -> None:
    """A broker that keeps nothing over its restart has lost what it held: that must not pass unseen."""
    with (
        Broker(tmp_path / "broker", persistence=False) as broker,
        running(write_site(tmp_path / "site", broker)) as daemon,
    ):
        wait_for(lambda: daemon.live.health.subscribed, "the subscriptions")
        broker.stop()
        wait_for(lambda: not daemon.live.health.connected, "the loss to be noticed")
        assert daemon.live.health.broker_trouble
        broker.start()
        wait_for(lambda: daemon.live.health.session_losses, "the loss of the session")
        wait_for(lambda: broker_check(daemon)["ok"], "the subscriptions")
        assert "has forgotten our session 1 time: " in broker_check(daemon)["detail"]
        assert metric(daemon, "hissmark_session_losses_total") == 1
        assert metric(daemon, "hissmark_reconnects_total") == 1


def test_every_rejected_record_is_counted(tmp_path: Path, broker: Broker) -> None:
    """Sixty bad records in one message are sixty, though the log keeps one row for them."""
    bad = ",".join('{"n":"AX-1","u":"dB","v":"loud"}' for _ in range(60))
    with running(write_site(tmp_path / "site", broker)) as daemon:
        wait_for(lambda: daemon.live.health.subscribed, "the subscriptions")
        publish(broker, "plant/a/levels", f"[{bad}]")
        wait_for(lambda: daemon.reader.rejects(), "the reject")
        rows = daemon.reader.rejects()
        name = f'hissmark_rejects_total{{reason="{rows[0].reason}"}}'
        wait_for(lambda: metric(daemon, name) == 60, "the count")
        assert len(rows) == 1
        assert rows[0].detail.endswith("(and 59 more records of this message)")


def test_a_clock_of_its_own_is_on_record_until_it_is_the_machines_again(
    tmp_path: Path, broker: Broker
) -> None:
    """Commands read the store from beside; without it an invented plant's ages would be days."""
    folder = write_site(tmp_path / "site", broker)
    with running(folder, Behind()) as daemon:
        assert int(daemon.reader.meta(CLOCK_OFFSET) or 0) == pytest.approx(-3 * 86_400e6, abs=60e6)
    with running(folder) as daemon:
        assert daemon.reader.meta(CLOCK_OFFSET) == "0"
