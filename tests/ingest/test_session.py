"""Sessions, acknowledgements and subscriptions on a real broker."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import hissmark.ingest.receiver as receiver_module
from support.broker import Broker, publish_command
from support.patience import PATIENCE_S
from support.receiving import Site, until
from support.tap import Tap

pytestmark = pytest.mark.broker

both_versions = pytest.mark.parametrize("protocol", [5, 311])


def publish_lines(broker: Broker, topic: str, lines: list[str], qos: int = 1) -> None:
    """One message a line, all acknowledged by the broker when this returns."""
    command = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "-q", str(qos), "-t", topic, "-l"]
    subprocess.run(command, input="\n".join(lines) + "\n", text=True, check=True, timeout=60)


def payloads(messages: list) -> list[str]:
    return [message.payload.decode() for message in messages]


@pytest.fixture
def tap(broker: Broker) -> Iterator[Tap]:
    tapped = Tap(broker)
    yield tapped
    tapped.close()


@both_versions
def test_messages_arrive_whole_and_in_order(broker: Broker, protocol: int) -> None:
    with Site(broker, protocol=protocol) as site:
        site.connected()
        lines = [f"message {i}" for i in range(2_000)]
        publish_lines(broker, "t/x", lines)
        found = site.take(2_000)
        assert payloads(found) == lines
        assert {message.topic for message in found} == {"t/x"}
        assert all(message.token and not message.retained for message in found)
        assert site.health.messages == 2_000
        assert site.health.last_message_us == found[-1].received_us


KILLED = """
import signal, sys
sys.path.insert(0, sys.argv[1])
from support.receiving import Site
from types import SimpleNamespace
site = Site(SimpleNamespace(host="127.0.0.1", port=int(sys.argv[2])), protocol=int(sys.argv[3])).__enter__()
site.connected()
print("ready", flush=True)
messages = site.take(10)
site.receiver.ack(messages[:4])
signal.pause()
"""


@both_versions
def test_what_was_not_acknowledged_comes_again_after_sigkill(broker: Broker, tap: Tap, protocol: int) -> None:
    tests = str(Path(__file__).parents[1])
    command = [sys.executable, "-c", KILLED, tests, str(tap.port), str(protocol)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while process.stdout.readline() != "ready\n":
            assert process.poll() is None
        publish_lines(broker, "t/x", [str(i) for i in range(10)])
        until(lambda: len(tap.pubacks()) == 4, "the acknowledgements")
        process.kill()
    publish_lines(broker, "t/x", ["while away"])
    with Site(broker, protocol=protocol) as site:
        assert payloads(site.take(7)) == [*map(str, range(4, 10)), "while away"]
        site.nothing_more()


@both_versions
def test_acknowledgements_go_out_in_order_and_joined(broker: Broker, tap: Tap, protocol: int) -> None:
    with Site(broker, protocol=protocol, port=tap.port) as site:
        site.connected()
        publish_lines(broker, "t/x", [str(i) for i in range(300)])
        messages = site.take(300)
        assert tap.pubacks() == [], "nothing may be acknowledged before it is stored"
        before = len(tap.writes)
        for start in range(0, 300, 100):
            site.receiver.ack(messages[start : start + 100])
        until(lambda: len(tap.pubacks()) == 300, "the acknowledgements")
        assert tap.pubacks() == [message.token & 0xFFFF for message in messages]
        assert len(tap.writes) - before <= 6, "a write for each acknowledgement is what makes plain paho slow"


@both_versions
def test_stop_sends_what_is_acknowledged_and_keeps_the_session(broker: Broker, protocol: int) -> None:
    with Site(broker, protocol=protocol) as site:
        site.connected()
        publish_lines(broker, "t/x", ["a", "b", "c"])
        site.receiver.ack(site.take(3)[:2])
    publish_lines(broker, "t/x", ["d"])
    with Site(broker, protocol=protocol) as site:
        assert payloads(site.take(2)) == ["c", "d"]
    assert not site.health.thread_alive
    assert not site.health.connected


def test_acknowledgements_of_an_older_connection_are_dropped(broker: Broker, tap: Tap) -> None:
    with Site(broker, port=tap.port) as site:
        site.connected()
        publish_lines(broker, "t/x", ["a", "b"])
        old = site.take(2)
        tap.cut()
        again = site.take(2)
        assert payloads(again) == ["a", "b"]
        tap.writes.clear()
        site.receiver.ack(old)
        until(lambda: site.health.acks_dropped == 2, "dropped acknowledgements")
        assert tap.pubacks() == []
        site.receiver.ack(again)
        until(lambda: len(tap.pubacks()) == 2, "the acknowledgements")
        assert site.health.reconnects == 1
    with Site(broker) as site:
        site.connected().nothing_more()


def test_qos_0_messages_need_no_acknowledgement(broker: Broker) -> None:
    with Site(broker, qos=0) as site:
        site.connected()
        publish_lines(broker, "t/x", ["a"])
        (message,) = site.take(1)
        assert message.token == 0
        site.receiver.ack([message])


def test_qos_2_left_in_the_session_is_settled(broker: Broker, tap: Tap) -> None:
    """A session made by another program may hold QoS 2 messages: taken, acknowledged, never stuck."""
    subscribe = [
        "mosquitto_sub",
        "-h",
        broker.host,
        "-p",
        str(broker.port),
        "-i",
        "site",
        "-c",
        "-q",
        "2",
        "-t",
        "t/#",
    ]
    subprocess.run([*subscribe, "-E"], check=True, timeout=PATIENCE_S)
    publish_lines(broker, "t/x", ["a", "b"], qos=2)
    with Site(broker, port=tap.port, protocol=311) as site:
        messages = site.take(2)
        assert payloads(messages) == ["a", "b"]
        site.receiver.ack(messages)
        until(lambda: b"".join(tap.writes).count(b"\x70\x02") == 2, "PUBCOMP for both")
    with Site(broker, protocol=311) as site:
        site.connected().nothing_more()


def test_retained_messages_are_marked_and_not_sent_again_after_a_break(broker: Broker, tap: Tap) -> None:
    publish_command(broker, "t/kept", "old", "-r")
    with Site(broker, port=tap.port) as site:
        (message,) = site.take(1)
        assert message.retained
        site.receiver.ack([message])
        publish_lines(broker, "t/kept", ["new"])
        (message,) = site.take(1)
        assert not message.retained
        site.receiver.ack([message])
        until(lambda: len(tap.pubacks()) == 2, "acknowledgements")
        tap.cut()
        until(lambda: site.health.reconnects == 1, "the next connection")
        site.nothing_more(1.0)


@both_versions
def test_filters_of_an_earlier_run_are_unsubscribed(broker: Broker, protocol: int) -> None:
    with Site(broker, filters=["t/#", "old/#"], protocol=protocol) as site:
        site.connected()
    with Site(broker, filters=["t/#"], protocol=protocol) as site:
        site.connected()
        publish_lines(broker, "old/x", ["still subscribed by the session"])
        site.receiver.ack(site.take(1))
    with Site(broker, filters=["t/#"], previous=["t/#", "old/#"], protocol=protocol) as site:
        site.connected()
        publish_lines(broker, "old/x", ["no longer"])
        publish_lines(broker, "t/x", ["wanted"])
        assert payloads(site.take(1)) == ["wanted"]
        site.nothing_more()


@pytest.fixture
def choosy_broker(make_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker that grants subscriptions to `ok/#` only (by its own plugin; its ACL file refuses none)."""
    plugins = list(Path("/usr/lib").rglob("mosquitto_dynamic_security.so"))
    assert plugins, "Mosquitto's package brings mosquitto_dynamic_security.so"
    access = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    role = {"rolename": "r", "acls": [{"acltype": "subscribePattern", "topic": "ok/#", "allow": True}]}
    config = {
        "defaultACLAccess": access,
        "clients": [],
        "groups": [{"groupname": "all", "roles": [{"rolename": "r"}], "clients": []}],
        "roles": [role],
        "anonymousGroup": "all",
    }
    file = tmp_path / "security.json"
    file.write_text(json.dumps(config))
    return make_broker(extra=(f"plugin {plugins[0]}", f"plugin_opt_config_file {file}"))


@both_versions
def test_refused_filters_are_reported_and_the_others_work(choosy_broker: Broker, protocol: int) -> None:
    with Site(choosy_broker, filters=["ok/#", "secret/#"], protocol=protocol) as site:
        until(lambda: site.health.refused, "the refusal")
        assert list(site.health.refused) == ["secret/#"]
        assert site.health.refused["secret/#"]
        publish_lines(choosy_broker, "ok/x", ["a"])
        assert payloads(site.take(1)) == ["a"]


def test_a_lower_qos_than_asked_is_reported(make_broker: Callable[..., Broker]) -> None:
    broker = make_broker(extra=("max_qos 0",))
    with Site(broker, protocol=311) as site:
        until(lambda: site.health.refused, "the report")
        assert "QoS 0 only" in site.health.refused["t/#"]


def test_a_second_client_of_our_name_is_named_as_the_trouble(broker: Broker) -> None:
    with Site(broker) as site:
        site.connected()
        intruder = [
            "mosquitto_sub",
            "-h",
            broker.host,
            "-p",
            str(broker.port),
            "-i",
            "site",
            "-t",
            "x",
            "-W",
            "1",
        ]
        subprocess.run(intruder, check=False, timeout=PATIENCE_S)
        until(lambda: site.health.last_error, "an error")
        assert "another client may use client_id 'site'" in str(site.health.last_error)
        until(lambda: site.health.connected, "the connection again")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_dead_thread_is_started_again(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    real = receiver_module.Connection
    deaths: list[int] = []

    def deadly(*arguments: object) -> object:
        if not deaths:
            deaths.append(1)
            raise SystemExit  # ends the thread past every handler of errors
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(receiver_module, "Connection", deadly)
    with Site(broker) as site:
        until(lambda: site.health.restarts == 1, "the restart")
        site.connected()
        assert site.health.thread_alive
        publish_lines(broker, "t/x", ["a"])
        site.take(1)
