"""TLS and passwords against a real broker."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from support.broker import Broker, TlsFiles
from support.certificates import Authority
from support.patience import PATIENCE_S
from support.receiving import Site, secret, until

pytestmark = pytest.mark.broker

MakeBroker = Callable[..., Broker]


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


def trouble(site: Site) -> str:
    """The first error the receiver reports; it must not have connected."""
    until(lambda: site.health.last_error, "an error")
    assert not site.health.connected
    return str(site.health.last_error)


def big_message_through(site: Site, broker: Broker, tls: TlsFiles, folder: Path) -> None:
    """A payload of many TLS records, then a small one."""
    import subprocess

    file = folder / "big"
    file.write_bytes(b"x" * 900_000)
    command = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "--cafile", str(tls.ca), "-q", "1"]
    subprocess.run([*command, "-t", "t/big", "-f", str(file)], check=True, timeout=PATIENCE_S)
    subprocess.run([*command, "-t", "t/small", "-m", "y"], check=True, timeout=PATIENCE_S)
    big, small = site.take(2)
    assert big.payload == file.read_bytes()
    assert small.payload == b"y"


@pytest.mark.parametrize("protocol", [5, 311])
def test_tls(make_broker: MakeBroker, authority: Authority, tmp_path: Path, protocol: int) -> None:
    tls = authority.broker_files()
    broker = make_broker(tls=tls)
    with Site(broker, ca_file=authority.cert, protocol=protocol) as site:
        site.connected()
        big_message_through(site, broker, tls, tmp_path)


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({"alternative": "DNS:broker.example"}, "not valid for '127.0.0.1'"),
        ({"expired": True}, "expired"),
    ],
)
def test_certificates_that_are_not_to_be_trusted(
    make_broker: MakeBroker, authority: Authority, files: dict[str, object], words: str
) -> None:
    broker = make_broker(tls=authority.broker_files(**files))  # type: ignore[arg-type]
    with Site(broker, ca_file=authority.cert) as site:
        text = trouble(site)
        assert "not to be trusted" in text
        assert words in text


def test_a_certificate_of_another_authority(
    make_broker: MakeBroker, authority: Authority, tmp_path: Path
) -> None:
    broker = make_broker(tls=Authority(tmp_path / "other", "Somebody else").broker_files())
    with Site(broker, ca_file=authority.cert) as site:
        assert "not to be trusted" in trouble(site)


def test_a_client_certificate(make_broker: MakeBroker, authority: Authority) -> None:
    broker = make_broker(tls=authority.broker_files(require_client=True))
    cert, key = authority.issue("client")
    with Site(broker, ca_file=authority.cert) as site:
        assert trouble(site)
    with Site(broker, ca_file=authority.cert, cert_file=cert, key_file=key) as site:
        site.connected()
    _, other_key = authority.issue("other-client")
    with Site(broker, ca_file=authority.cert, cert_file=cert, key_file=other_key) as site:
        assert "no pair" in trouble(site)


def test_plain_client_at_a_tls_port_and_the_reverse(
    make_broker: MakeBroker, authority: Authority, broker: Broker
) -> None:
    with Site(broker, ca_file=authority.cert) as site:
        assert "does this port speak TLS" in trouble(site)
    tls_broker = make_broker(tls=authority.broker_files())
    with Site(tls_broker) as site:
        assert "if this port speaks TLS, set ca_file" in trouble(site)


@pytest.mark.parametrize("protocol", [5, 311])
def test_user_and_password(make_broker: MakeBroker, tmp_path: Path, protocol: int) -> None:
    broker = make_broker(users={"hissmark": "right"})
    login = {"username": "hissmark", "protocol": protocol}
    with Site(broker, password_file=secret(tmp_path, "wrong"), **login) as site:
        assert "check username" in trouble(site)
        secret(tmp_path, "right")  # read again on the next attempt: no restart needed
        site.connected()
    with Site(broker, protocol=protocol) as site:
        assert "check username" in trouble(site)
    with Site(broker, password_file=tmp_path / "nowhere", **login) as site:
        assert "password_file" in trouble(site)
