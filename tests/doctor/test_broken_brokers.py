"""What `hissmark doctor` says of a broker or service that is not as it should be: real ones, set up wrong."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hissmark.doctor.broker import look_at_broker
from hissmark.doctor.certificates import look_at_certificates
from hissmark.doctor.finding import Finding, State
from hissmark.doctor.service import look_at_service
from hissmark.site.load import Site, load_site
from support.broker import Broker, free_port
from support.certificates import Authority
from support.publish import Gateway, senml_pack
from support.service import Service, until, write_site

pytestmark = pytest.mark.broker

REGISTER = [
    {"channel": f"AX-{v}", "kind": "valve", "valve": f"XV-{v}", "group": "header", "position": v}
    for v in (1, 2)
]  # fmt: skip
LEVELS = {"filter": "plant/+/levels", "format": "senml"}
T_US = 1_772_323_200_000_000


def site_of(tmp_path: Path, broker: Broker, **mqtt_table: object) -> Site:
    return load_site(write_site(tmp_path / "site", broker, REGISTER, sources=[LEVELS], mqtt=mqtt_table))


def told(found: list[Finding], state: State) -> str:
    return "\n".join(f"{f.what} {f.do}" for f in found if f.state is state)


def looked(site: Site, listen_s: float = 0.0) -> list[Finding]:
    return list(look_at_broker(site, 5.0, listen_s))


@pytest.mark.parametrize(
    ("host", "words"),
    [("no-such-host.invalid", "the name 'no-such-host.invalid' cannot be resolved"),  # RFC 2606
     ("127.0.0.1", "nothing listens there")],
)  # fmt: skip
def test_a_broker_that_is_not_there(tmp_path: Path, broker: Broker, host: str, words: str) -> None:
    found = looked(site_of(tmp_path, broker, host=host, port=free_port()))
    assert words in told(found, State.WRONG)
    assert "See whether the broker runs" in told(found, State.WRONG)


def test_a_port_at_which_something_else_listens(tmp_path: Path, broker: Broker) -> None:
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        site = site_of(tmp_path, broker, port=deaf.getsockname()[1])
        found = list(look_at_broker(site, 1.0))
    assert "did not answer in time" in told(found, State.WRONG)


@pytest.mark.parametrize(
    ("case", "words"),
    [("expired", "certificate has expired"), ("other host", "mismatch"), ("other authority", "self-signed")],
)
def test_certificates_that_are_not_to_be_trusted(
    tmp_path: Path, make_broker: Any, case: str, words: str
) -> None:
    authority = Authority(tmp_path / "ca")
    believed = Authority(tmp_path / "other", "Another one") if case == "other authority" else authority
    names = "DNS:elsewhere.example" if case == "other host" else "IP:127.0.0.1"
    broker = make_broker(tls=authority.broker_files(names, expired=case == "expired"))
    site = site_of(tmp_path, broker, ca_file=str(believed.cert))
    (found,) = look_at_certificates(site, T_US)
    assert (found.state, words in found.what) == (State.WRONG, True), found.what
    assert "Renew it, or name the authority" in found.do
    assert "not to be trusted" in told(looked(site), State.WRONG)


def test_a_plain_port_where_tls_is_expected_and_the_reverse(tmp_path: Path, make_broker: Any) -> None:
    authority = Authority(tmp_path / "ca")
    plain, secured = make_broker(), make_broker(tls=authority.broker_files())
    first = site_of(tmp_path / "1", plain, ca_file=str(authority.cert))
    assert "does this port speak TLS" in told(looked(first), State.WRONG)
    assert told(looked(site_of(tmp_path / "2", secured)), State.WRONG)


def test_a_broker_that_grants_qos_0_only(tmp_path: Path, make_broker: Any) -> None:
    broker = make_broker(extra=("max_qos 0",))
    said = told(looked(site_of(tmp_path, broker)), State.WRONG)
    assert "grants 'plant/+/levels' with QoS 0 only" in said
    assert "max_qos" in said


@pytest.fixture
def forgetful(make_broker: Any) -> Broker:
    """A broker with room for ten messages a client, which tells every second how it does."""
    broker: Broker = make_broker(extra=("sys_interval 1",), max_inflight=5)
    config = broker.folder / "mosquitto.conf"
    config.write_text(config.read_text().replace("max_queued_messages 0", "max_queued_messages 10"))
    return broker.restart()


def test_a_broker_that_drops_messages(tmp_path: Path, forgetful: Broker) -> None:
    """A subscriber that is away has room for fewer messages than come."""
    site = site_of(tmp_path, forgetful)
    assert "has dropped nothing" in told(looked(site), State.FINE)
    away = mqtt.Client(CallbackAPIVersion.VERSION2, "away", clean_session=False)
    subscribed = threading.Event()
    away.on_subscribe = lambda *_: subscribed.set()
    away.connect(forgetful.host, forgetful.port)
    away.loop_start()
    away.subscribe("plant/#", 1)
    assert subscribed.wait(30)
    away.disconnect()
    away.loop_stop()
    with closing(Gateway(forgetful)) as gateway:
        gateway.send([("plant/a/levels", b"[]")] * 100)
    said = until(lambda: told(looked(site), State.WRONG), "the broker tells what it dropped")
    assert "the broker has dropped" in said
    assert "max_queued_messages 0" in said


def test_listening_to_what_comes(tmp_path: Path, broker: Broker) -> None:
    site = site_of(tmp_path, broker)
    said = told(looked(site, listen_s=0.5), State.LOOK)
    assert "Nothing came on plant/+/levels within 0.5 s." in said
    assert "whether the gateways publish" in said
    stop = threading.Event()
    payloads = {"good": senml_pack([("AX-1", T_US, 30.0, "dB")]), "bad": b"no json"}

    def publish(payload: bytes) -> None:
        with closing(Gateway(broker)) as gateway:
            while not stop.wait(0.05):
                gateway.send([("plant/gw7/levels", payload)])

    for name, payload in payloads.items():
        stop.clear()
        thread = threading.Thread(target=publish, args=(payload,))
        thread.start()
        found = looked(site, listen_s=2.0)
        stop.set()
        thread.join()
        assert "messages came on plant/+/levels within 2 s: plant/gw7/levels." in told(found, State.FINE)
        assert ("None of them can be used: not-json" in told(found, State.WRONG)) == (name == "bad")


# --- the service ---


class Stranger(BaseHTTPRequestHandler):
    """Some other program's page."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b"<html>hello</html>")

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def stranger() -> Iterator[int]:
    server = HTTPServer(("127.0.0.1", 0), Stranger)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_port
    server.shutdown()
    thread.join()
    server.server_close()


def test_another_program_on_our_port(tmp_path: Path, broker: Broker, stranger: int) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    own = load_site(folder).settings.http.port
    text = (folder / "site.toml").read_text().replace(f"port = {own}", f"port = {stranger}")
    (folder / "site.toml").write_text(text)
    (found,) = look_at_service(load_site(folder), 5.0)
    assert (found.state, "is not hissmark" in found.what) == (State.WRONG, True)
    assert "a port of its own" in found.do


def test_a_service_that_hangs(tmp_path: Path, broker: Broker) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    with Service(folder).start() as service:
        assert service.process is not None
        service.process.send_signal(signal.SIGSTOP)
        (found,) = look_at_service(load_site(folder), 1.0)
        service.process.send_signal(signal.SIGCONT)
        assert (found.state, "does not answer within 1 s" in found.what) == (State.WRONG, True)
        assert "restart it and keep its log" in found.do
        broker.stop()
        until(
            lambda: (
                "broker: Not connected" in told(list(look_at_service(load_site(folder), 5.0)), State.WRONG)
            ),
            "the service to say that it is cut off",
        )
