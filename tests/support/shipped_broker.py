"""Mosquitto on the settings that are shipped in deploy/mosquitto, and clients that wait for each step."""

from __future__ import annotations

import os
import secrets
import socket
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from support.broker import free_port, mosquitto_path
from support.patience import PATIENCE_S

DEPLOY = Path(__file__).parents[2] / "deploy"
PASSWORDS = {"hissmark": "h1", "gw1": "g1", "gw2": "g2"}


def openssl(*arguments: object) -> None:
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


def make_certificates(folder: Path) -> None:
    """A private authority and the broker's certificate for this machine."""
    folder.mkdir()
    ca, key, request, cert = (folder / n for n in ("ca.crt", "broker.key", "broker.csr", "broker.crt"))
    new = ("req", "-newkey", "rsa:2048", "-nodes")
    openssl(
        *new, "-x509", "-days", 2, "-subj", "/CN=test authority", "-keyout", folder / "ca.key", "-out", ca
    )
    openssl(*new, "-subj", "/CN=127.0.0.1", "-keyout", key, "-out", request)
    names = folder / "names"
    names.write_text("subjectAltName=IP:127.0.0.1\n")
    sign = ("-CA", ca, "-CAkey", folder / "ca.key", "-CAcreateserial", "-days", 2, "-extfile", names)
    openssl("x509", "-req", "-in", request, *sign, "-out", cert)


class Shipped:
    """Mosquitto on the settings we ship, moved to a private folder and ports.

    `all_ready`: with the lines of the access list that are ready for what not every site has.
    `users`: further users, with their names for passwords, and what is added to the access list for each.
    `certificates`: users are told by certificates, not by passwords.
    """

    def __init__(
        self,
        folder: Path,
        *,
        all_ready: bool = False,
        users: Mapping[str, str] | None = None,
        certificates: bool = False,
    ) -> None:
        self.folder, self.plain, self.tls = folder, free_port(), free_port()
        self._certificates = certificates
        make_certificates(folder / "certs")
        acl = (DEPLOY / "mosquitto" / "hissmark.acl").read_text("utf-8")
        acl = acl.replace("\n#+", "\n") if all_ready else acl
        (folder / "hissmark.acl").write_text(
            acl + "".join(f"\n{lines}\n" for lines in (users or {}).values())
        )
        passwords = folder / "hissmark.passwd"
        passwords.write_text(
            "".join(f"{n}:{w}\n" for n, w in (PASSWORDS | {name: name for name in users or {}}).items())
        )
        subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True, capture_output=True)
        for secret in (passwords, folder / "hissmark.acl"):
            secret.chmod(0o600)
        text = (DEPLOY / "mosquitto" / "mosquitto.conf").read_text("utf-8")
        for ours, theirs in self._moves().items():
            assert ours in text, ours
            text = text.replace(ours, theirs)
        self.config = folder / "mosquitto.conf"
        self.config.write_text(text + ("\nuser root\n" if os.geteuid() == 0 else ""))

    def _moves(self) -> dict[str, str]:
        moves = {
            "/etc/mosquitto/": f"{self.folder}/",
            "/var/lib/mosquitto/": f"{self.folder}/",
            "listener 8883": f"listener {self.tls} 127.0.0.1",
            "listener 1883 127.0.0.1": f"listener {self.plain} 127.0.0.1",
        }
        if self._certificates:
            moves |= {
                "require_certificate false": "require_certificate true",
                "#use_identity_as_username": "use_identity_as_username",
                "#crlfile": "crlfile",
            }
        return moves

    @contextmanager
    def running(self) -> Iterator[Shipped]:
        """Started, until the block ends."""
        program = mosquitto_path()
        assert program, "mosquitto is not installed"
        log = self.folder / "log"
        with log.open("wb") as stream:
            process = subprocess.Popen([program, "-c", self.config], stderr=stream)
        try:
            for port in (self.tls, self.plain):
                wait_for_port(port, process)
            yield self
        except TimeoutError:
            said = log.read_text(errors="replace")
            raise AssertionError(f"mosquitto does not take the settings we ship: {said}") from None
        finally:
            process.terminate()
            process.wait(PATIENCE_S)


def wait_for_port(port: int, process: subprocess.Popen[bytes]) -> None:
    """Until somebody listens on `port`; TimeoutError if the process ends first or takes too long."""
    end = time.monotonic() + PATIENCE_S
    while process.poll() is None and time.monotonic() < end:
        try:
            return socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.02)
    raise TimeoutError


class Client:
    """An MQTT 5 user of the broker that waits for each step; `keep` asks for a session that outlives it."""

    def __init__(
        self,
        port: int,
        user: str,
        *,
        ca: Path | None = None,
        keep: bool = False,
        certificate: Path | None = None,
    ) -> None:
        self.got: list[str] = []
        self.refused = ""
        self._came = threading.Condition()
        self._connected = threading.Event()
        name = f"test-{user}-kept" if keep else f"test-{secrets.token_hex(6)}"
        self.mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5)
        self.mqtt.username_pw_set(user, PASSWORDS.get(user, user))
        if ca is not None:
            key = str(certificate.with_suffix(".key")) if certificate else None
            self.mqtt.tls_set(str(ca), str(certificate) if certificate else None, key)
        self.mqtt.on_connect = self._on_connect
        self.mqtt.on_message = self._on_message
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 600 if keep else 0
        self.mqtt.connect("127.0.0.1", port, clean_start=not keep, properties=session)
        self.mqtt.loop_start()
        assert self._connected.wait(PATIENCE_S), "no answer to CONNECT"

    def _on_connect(
        self, client: object, data: object, flags: object, code: ReasonCode, more: object
    ) -> None:
        self.refused = str(code) if code.is_failure else ""
        self._connected.set()

    def _on_message(self, client: object, data: object, message: mqtt.MQTTMessage) -> None:
        with self._came:
            self.got.append(message.topic)
            self._came.notify_all()

    def subscribe(self, topic: str) -> None:
        acknowledged = threading.Event()
        self.mqtt.on_subscribe = lambda *_: acknowledged.set()
        self.mqtt.subscribe(topic, 1)
        assert acknowledged.wait(PATIENCE_S)

    def publish(self, topic: str, count: int = 1) -> None:
        sent = [self.mqtt.publish(topic, b"[]", 1) for _ in range(count)]
        for message in sent:
            message.wait_for_publish(PATIENCE_S)

    def wait_for(self, count: int) -> list[str]:
        with self._came:
            assert self._came.wait_for(lambda: len(self.got) >= count, PATIENCE_S), (
                f"only {len(self.got)} came"
            )
        return self.got

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()
