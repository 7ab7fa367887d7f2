"""Brokers that die, consumers that stall, messages too large: nothing is lost, memory stays bounded."""

from __future__ import annotations

import subprocess
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from hissmark.ingest.queue import MessageQueue
from support.broker import Broker, free_port
from support.patience import PATIENCE_S
from support.receiving import Site, until

pytestmark = pytest.mark.broker

MakeBroker = Callable[..., Broker]


def publish_lines(broker: Broker, lines: list[str], topic: str = "t/x") -> None:
    command = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "-q", "1", "-t", topic, "-l"]
    subprocess.run(command, input="\n".join(lines) + "\n", text=True, check=True, timeout=PATIENCE_S)


@pytest.mark.parametrize("protocol", [5, 311])
def test_broker_killed_and_started_again(make_broker: MakeBroker, protocol: int) -> None:
    broker = make_broker(save_on_change=True)
    with Site(broker, protocol=protocol) as site:
        site.connected()
        publish_lines(broker, ["a", "the second", "c"])
        messages = site.take(3)
        site.receiver.ack(messages[:1])
        kept = broker.folder / "mosquitto.db"  # saved when the acknowledgement is there
        until(lambda: kept.exists() and b"the second" in kept.read_bytes(), "the broker to take note")
        broker.kill()
        until(lambda: not site.health.connected, "the loss to be noticed")
        broker.start()
        until(lambda: site.health.connected, "the connection again")
        assert [m.payload for m in site.take(2)] == [b"the second", b"c"], (
            "what was not acknowledged comes again"
        )
        publish_lines(broker, ["d"])
        assert [m.payload for m in site.take(1)] == [b"d"]
        assert site.health.session_losses == 0
        assert site.health.reconnects == 1


def test_a_broker_that_forgot_the_session_is_noticed(make_broker: MakeBroker) -> None:
    broker = make_broker(persistence=False)
    with Site(broker) as site:
        site.connected()
        broker.kill()
        broker.start()
        until(lambda: site.health.session_losses == 1, "the loss of the session")
        site.connected()
        publish_lines(broker, ["subscribed anew"])
        site.take(1)


def test_started_before_the_broker(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "late", port=free_port())
    with Site(broker) as site:
        until(lambda: site.health.last_error, "an error")
        assert "nothing listens there" in str(site.health.last_error)
        with broker:
            site.connected()


def test_stop_returns_quickly_even_without_a_broker(tmp_path: Path) -> None:
    site = Site(Broker(tmp_path / "none")).__enter__()
    until(lambda: site.health.last_error, "an error")
    site.receiver.stop(timeout_s=PATIENCE_S)
    assert not site.health.thread_alive


def test_stop_returns_quickly_when_the_broker_hangs(broker: Broker) -> None:
    import signal

    site = Site(broker).__enter__().connected()
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    try:
        site.receiver.stop(timeout_s=PATIENCE_S)
        assert not site.health.thread_alive, "it did not wait for the broker, who will never answer"
    finally:
        broker.process.send_signal(signal.SIGCONT)


def test_a_hanging_broker_is_noticed(broker: Broker) -> None:
    import signal

    with Site(broker, keepalive_s=5) as site:
        site.connected()
        assert broker.process is not None
        broker.process.send_signal(signal.SIGSTOP)
        try:
            until(lambda: not site.health.connected, "the silence to be noticed")
            until(lambda: "silent" in str(site.health.last_error), "the reason")
        finally:
            broker.process.send_signal(signal.SIGCONT)
        until(lambda: site.health.connected, "the connection again")


@pytest.mark.parametrize("protocol", [5, 311])
def test_a_full_queue_holds_the_broker_back_and_loses_nothing(broker: Broker, protocol: int) -> None:
    """With the broker's window open only the unread socket holds the stream; the connection must live on."""
    count = 20_000
    queue = MessageQueue(max_messages=100)
    options = {"protocol": protocol, "keepalive_s": 5, "receive_maximum": 65_535}
    with Site(broker, queue=queue, **options) as site:
        site.connected()
        publish_lines(broker, [f"{i:0200d}" for i in range(count)])
        until(lambda: site.health.paused, "the pause")
        for _ in range(90):  # longer than one and a half keepalives
            time.sleep(0.1)
            assert queue.depth < 100 + (1 << 18) // 200, "one read beyond the bound at most"
        assert site.health.connected
        found = []
        while len(found) < count:
            batch = queue.get_batch(100, PATIENCE_S)
            assert batch, f"{len(found)} of {count} came"
            site.receiver.ack(batch)
            found += batch
        assert [int(message.payload) for message in found] == list(range(count))
        assert site.health.reconnects == 0
        assert site.health.pauses >= 1
    assert "exceeded timeout" not in broker.log()


@pytest.mark.parametrize("window", [1, 20])
def test_a_small_window_of_the_broker_never_stalls_the_stream(make_broker: MakeBroker, window: int) -> None:
    """A batch of a thousand must not be waited for when the broker sends only this many before an ack."""
    broker = make_broker(max_inflight=window)
    with Site(broker, protocol=311) as site:
        site.connected()
        publish_lines(broker, [str(i) for i in range(300)])
        seen = 0
        while seen < 300:
            batch = site.queue.get_batch(1_000, PATIENCE_S)
            assert batch
            seen += len(batch)
            site.receiver.ack(batch)


def test_receive_maximum_bounds_what_is_out(broker: Broker) -> None:
    with Site(broker, receive_maximum=7) as site:
        site.connected()
        publish_lines(broker, [str(i) for i in range(20)])
        first = site.take(7)
        site.nothing_more()
        site.receiver.ack(first)
        assert len(site.take(7)) == 7


def test_fifty_megabytes_in_one_message_do_not_stay_in_memory(broker: Broker, tmp_path: Path) -> None:
    file = tmp_path / "huge"
    file.write_bytes(b"x" * 50_000_000)
    with Site(broker) as site:
        site.connected()
        tracemalloc.start()
        command = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "-q", "1", "-t", "t/huge"]
        subprocess.run([*command, "-f", str(file)], check=True, timeout=PATIENCE_S)
        publish_lines(broker, ["small"])
        huge, small = site.take(2)
        assert (huge.size, len(huge.payload) < 1 << 20) == (50_000_000, True)
        assert small.payload == b"small"
        _, peak_bytes = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak_bytes < 10_000_000
        assert site.health.reconnects == 0
