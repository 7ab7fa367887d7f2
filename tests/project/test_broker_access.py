"""The access list that is shipped for Mosquitto: what it is to let through gets through, nothing else."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization

from hissmark.doctor.broker import look_at_broker
from hissmark.doctor.finding import Finding, State
from hissmark.site.load import load_site
from support.broker import Broker
from support.patience import PATIENCE_S
from support.service import Service, until, write_site
from support.shipped_broker import Client, Shipped

pytestmark = pytest.mark.broker

AUDITOR = {"auditor": "user auditor\ntopic readwrite #", "historian": ""}
NODE, HOST = "spBv1.0/works", "spBv1.0/STATE"
WRITES = {
    # user: (what it may publish to, what it may not)
    "hissmark": (
        ["hissmark/alarms/G/XV-1/passing", "hissmark/north/valve/XV-1", "hissmark/north/status",
         "hissmark/north/senml/G", f"{HOST}/hissmark-north", "spBv1.0/north/NCMD/gw1",
         *(f"{NODE}/{kind}/hissmark-north" for kind in ("NBIRTH", "NDATA", "NDEATH"))],
        ["plant/gw1/levels", "plant/hissmark/levels", "other", "spBv1.0/north/NDATA/gw1", f"{HOST}/historian",
         f"{NODE}/NDATA/another", "spBv1.0/other/NCMD/gw1"],
    ),
    "gw1": (
        ["plant/gw1/levels", "plant/gw1/process/PT-1", "spBv1.0/north/NDATA/gw1",
         "spBv1.0/north/DDATA/gw1/ae1"],
        ["plant/gw2/levels", "plant/levels", "hissmark/alarms/G/XV-1/passing", "spBv1.0/north/NDATA/gw2",
         "spBv1.0/north/NCMD/gw1", f"{HOST}/hissmark-north", f"{NODE}/NDATA/hissmark-north"],
    ),
    "historian": (
        [f"{NODE}/NCMD/hissmark-north", f"{HOST}/historian"],
        ["hissmark/alarms/G/XV-1/passing", "plant/gw1/levels", "plant/historian/levels",
         f"{NODE}/NDATA/hissmark-north"],
    ),
}  # fmt: skip
READS = {
    # user: (what it hears, what it does not)
    "hissmark": (
        ["plant/gw1/levels", "spBv1.0/north/DDATA/gw1/ae1", f"{HOST}/historian",
         f"{NODE}/NCMD/hissmark-north"],
        ["other", "hissmark/north/events", f"{NODE}/NDATA/hissmark-north"],
    ),
    "gw1": (
        ["spBv1.0/north/NCMD/gw1", "spBv1.0/north/DCMD/gw1/ae1", f"{HOST}/hissmark-north"],
        ["plant/gw1/levels", "plant/gw2/levels", "hissmark/north/status", "spBv1.0/north/NCMD/gw2"],
    ),
    "historian": (
        ["hissmark/north/status", f"{NODE}/NDATA/hissmark-north"],
        ["plant/gw1/levels", "spBv1.0/north/NDATA/gw1"],
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shipped]:
    """With all lines that are ready, and a user who hears and may say everything."""
    folder = tmp_path_factory.mktemp("mosquitto")
    with Shipped(folder, all_ready=True, users=AUDITOR).running() as broker:
        yield broker


def said_once(broker: Shipped, user: str, topic: str) -> None:
    """Publish with QoS 0 on a connection of its own: Mosquitto 2.0.11 cuts one that may not."""
    client = Client(broker.plain, user)
    client.mqtt.publish(topic, b"[]", 0).wait_for_publish(PATIENCE_S)
    client.close()


@pytest.mark.parametrize("user", WRITES)
def test_who_may_say_what(shipped: Shipped, user: str) -> None:
    allowed, refused = WRITES[user]
    ear = Client(shipped.plain, "auditor")
    ear.subscribe("#")
    for topic in (*refused, *allowed):
        said_once(shipped, user, topic)
    said_once(shipped, "auditor", "the/end")
    until(lambda: "the/end" in ear.got, "the last message")
    ear.close()
    assert ear.got == [*allowed, "the/end"]


@pytest.mark.parametrize("user", READS)
def test_who_may_hear_what(shipped: Shipped, user: str) -> None:
    allowed, refused = READS[user]
    ear = Client(shipped.plain, user)
    ear.subscribe("#")
    mouth = Client(shipped.plain, "auditor")
    for topic in (*refused, *allowed):
        mouth.publish(topic)
    mouth.close()
    heard = list(ear.wait_for(len(allowed)))
    ear.close()
    assert heard == allowed


def as_broker(shipped: Shipped, folder: Path) -> Broker:
    """Its address, for `write_site`."""
    return Broker(folder, port=shipped.plain)


OUT = {
    "publish": {"enabled": True, "prefix": "hissmark/north", "sparkplug": "works/hissmark-north"},
}  # fmt: skip
REGISTER = [{"channel": "AX-1", "kind": "valve", "valve": "XV-1", "group": "G", "position": 0}]


def dropped_nothing(found: list[Finding]) -> list[Finding]:
    """`found`, once the broker has told what it dropped: every ten seconds."""
    return found if "dropped nothing" in found[-1].what else []


def test_all_that_the_service_says_and_hears_is_let_through(shipped: Shipped, tmp_path: Path) -> None:
    """A real service with every way out and in over MQTT, under the shipped list."""
    (tmp_path / "word").write_text("h1")
    (tmp_path / "word").chmod(0o600)
    sparkplug = {"filter": "spBv1.0/north/#", "format": "sparkplug"}
    folder = write_site(
        tmp_path / "site", as_broker(shipped, tmp_path / "b"), REGISTER, tables=OUT,
        sources=[{"filter": "plant/+/levels", "format": "senml"}, sparkplug],
        mqtt={"username": "hissmark", "password_file": "../word", "sparkplug_host": "hissmark-north"},
    )  # fmt: skip
    historian, gateway = Client(shipped.plain, "historian"), Client(shipped.plain, "gw1")
    historian.subscribe("#")
    gateway.subscribe("spBv1.0/#")
    with Service(folder).start() as service:
        until(lambda: "hissmark/north/status" in historian.got, "the status")
        until(lambda: f"{NODE}/NBIRTH/hissmark-north" in historian.got, "the birth")
        until(lambda: f"{HOST}/hissmark-north" in gateway.got, "the state of the host")
        assert service.metric("hissmark_filters_refused") == 0
        site = load_site(folder)
        found = until(lambda: dropped_nothing(list(look_at_broker(site, 5.0))), "the broker tells")
    historian.close()
    gateway.close()
    assert {f.state for f in found} == {State.FINE}, found


# --- certificates ---


class Names:
    """Certificates of the broker's own authority, by name."""

    def __init__(self, certs: Path) -> None:
        self.folder = certs
        self.ca = x509.load_pem_x509_certificate((certs / "ca.crt").read_bytes())
        self.ca_file = certs / "ca.crt"
        self._key = serialization.load_pem_private_key((certs / "ca.key").read_bytes(), None)

    def issue(self, name: str) -> Path:
        """As the manual says, with openssl; returns the certificate's path, the key beside it."""
        stem = self.folder / name
        new = ["openssl", "req", "-new", "-newkey", "rsa:3072", "-nodes", "-subj", f"/CN={name}"]
        subprocess.run(
            [*new, "-keyout", f"{stem}.key", "-out", f"{stem}.csr"], check=True, capture_output=True
        )
        sign = ["openssl", "x509", "-req", "-in", f"{stem}.csr", "-CA", "ca.crt", "-CAkey", "ca.key"]
        command = [*sign, "-CAcreateserial", "-days", "2", "-out", f"{stem}.crt"]
        subprocess.run(command, check=True, capture_output=True, cwd=self.folder)
        return Path(f"{stem}.crt")

    def revoke(self, *certificates: Path) -> None:
        """Write revoked.pem."""
        now = datetime.now(UTC)
        builder = x509.CertificateRevocationListBuilder().issuer_name(self.ca.subject)
        builder = builder.last_update(now - timedelta(hours=1)).next_update(now + timedelta(days=1))
        for path in certificates:
            serial = x509.load_pem_x509_certificate(path.read_bytes()).serial_number
            row = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(now).build()
            builder = builder.add_revoked_certificate(row)
        crl = builder.sign(self._key, hashes.SHA256())  # type: ignore[arg-type]
        (self.folder / "revoked.pem").write_bytes(crl.public_bytes(serialization.Encoding.PEM))


@pytest.fixture(scope="module")
def certified(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Shipped, Names]]:
    """The broker with the lines for certificates, one of which was taken back."""
    broker = Shipped(tmp_path_factory.mktemp("mosquitto"), all_ready=True, users=AUDITOR, certificates=True)
    names = Names(broker.folder / "certs")
    for name in ("gw1", "hissmark-north"):
        names.issue(name)
    names.revoke(names.issue("gw2"))
    with broker.running():
        yield broker, names


def test_a_gateway_is_known_by_its_certificate(certified: tuple[Shipped, Names]) -> None:
    """The user is the name in it; no password is asked for, and another's name cannot be taken."""
    broker, names = certified
    ear = Client(broker.plain, "auditor")
    ear.subscribe("#")
    for topic in ("plant/gw2/levels", "plant/gw1/levels"):
        gateway = Client(broker.tls, "gw2", ca=names.ca_file, certificate=names.folder / "gw1.crt")
        gateway.mqtt.publish(topic, b"[]", 0).wait_for_publish(PATIENCE_S)
        gateway.close()
    assert ear.wait_for(1) == ["plant/gw1/levels"]
    ear.close()


@pytest.mark.parametrize("certificate", [None, "gw2"])
def test_without_a_certificate_that_stands_nobody_comes_in(
    certified: tuple[Shipped, Names], certificate: str | None
) -> None:
    """None at all, and one that was taken back."""
    broker, names = certified
    context = ssl.create_default_context(cafile=str(names.ca_file))
    if certificate:
        context.load_cert_chain(names.folder / f"{certificate}.crt", names.folder / f"{certificate}.key")
    with pytest.raises(OSError, match=r"(?i)certificate|reset|eof"):
        shaken(context, broker.tls)


def shaken(context: ssl.SSLContext, port: int) -> None:
    """Handshake and one byte: with TLS 1.3 the refusal comes with the first read."""
    with (
        closing(socket.create_connection(("127.0.0.1", port), PATIENCE_S)) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as secured,
    ):
        secured.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")  # CONNECT of MQTT 3.1.1
        if not secured.recv(1):
            raise ConnectionResetError("eof")


def test_a_site_with_a_certificate_of_its_own(certified: tuple[Shipped, Names], tmp_path: Path) -> None:
    """As the manual shows: `cert_file` and `key_file`, no password, and topics of its own."""
    broker, names = certified
    folder = write_site(
        tmp_path / "site", Broker(tmp_path / "b", port=broker.tls), REGISTER,
        sources=[{"filter": "plant/north-gw1/levels", "format": "senml"}],
        mqtt={
            "ca_file": str(names.ca_file), "cert_file": str(names.folder / "hissmark-north.crt"),
            "key_file": str(names.folder / "hissmark-north.key"),
        },
    )  # fmt: skip
    found = list(look_at_broker(load_site(folder), 5.0))
    assert {f.state for f in found} == {State.FINE}, found


def test_a_certificate_whose_name_is_in_no_list(certified: tuple[Shipped, Names]) -> None:
    broker, names = certified
    ear = Client(broker.plain, "auditor")
    ear.subscribe("#")
    unlisted = names.issue("hissmark-south")
    stranger = Client(broker.tls, "hissmark-north", ca=names.ca_file, certificate=unlisted)
    stranger.mqtt.publish("hissmark/north/status", b"{}", 0).wait_for_publish(PATIENCE_S)
    stranger.close()
    said_once(broker, "auditor", "the/end")
    assert ear.wait_for(1) == ["the/end"]
    ear.close()
