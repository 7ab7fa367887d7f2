"""Beyond this machine: never without users and encryption; a real certificate; sessions over restarts."""

from __future__ import annotations

import ssl
import subprocess
import time
from pathlib import Path

import httpx
import pytest

from hissmark.access.errors import AccessError
from hissmark.daemon.service import Daemon
from hissmark.site.load import check_site, load_site
from hissmark.site.problems import Severity
from support.broker import Broker, free_port
from support.certificates import Authority
from support.patience import PATIENCE_S
from support.people import BY, PASSWORD, People
from support.service import COMMAND, Service

REGISTER = "channel,kind,valve,group,position\nAX-1,valve,XV-101,panel,1\nAX-2,valve,XV-102,panel,2\n"


def write_site(folder: Path, http: str, broker: Broker | None = None) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    at = f'host = "{broker.host}"\nport = {broker.port}' if broker else 'host = "127.0.0.1"\nport = 1'
    (folder / "site.toml").write_text(
        f'name = "North works"\n[mqtt]\n{at}\nclient_id = "tests"\n'
        f'[[mqtt.source]]\nfilter = "plant/+/levels"\n[log]\nformat = "json"\n'
        f"[http]\nport = {free_port()}\n{http}\n",
        "utf-8",
    )
    return folder


def command(name: str, site: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, name, str(site)], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


# --- what keeps it from starting ---


def test_without_encryption_it_does_not_start(tmp_path: Path) -> None:
    site = write_site(tmp_path, 'host = "0.0.0.0"')
    with_user = People(site)
    with_user.book.add("anna", "administrator", PASSWORD, BY)  # type: ignore[arg-type]
    with_user.close()
    for name in ("check", "run"):
        done = command(name, site)
        assert done.returncode == 1
        said = done.stdout + done.stderr
        assert "can be reached from other machines, and nothing encrypts" in said
        assert "cert_file" in said
        assert "Traceback" not in said


def test_without_users_it_does_not_start(tmp_path: Path) -> None:
    """`check` warns (users are not in the folder's files), `run` refuses and says how to make one."""
    site = write_site(tmp_path, 'host = "0.0.0.0"\ntrusted_proxy = ["10.0.0.1"]')
    checked = command("check", site)
    assert checked.returncode == 0
    assert "warning: http.host: '0.0.0.0' can be reached from other machines, and the site has no users" in (
        checked.stdout
    )
    done = command("run", site)
    assert done.returncode == 1
    assert done.stderr.startswith("error: 0.0.0.0 can be reached from other machines, and this site has no")
    assert f"hissmark user add {site} NAME --role administrator" in done.stderr
    assert "Traceback" not in done.stderr
    made = People(site)
    made.book.add("anna", "administrator", PASSWORD, BY)  # type: ignore[arg-type]
    made.close()
    assert "no users" not in command("check", site).stdout


def test_the_demo_is_never_served_to_others(tmp_path: Path) -> None:
    site = load_site(write_site(tmp_path, 'host = "0.0.0.0"\ntrusted_proxy = ["10.0.0.1"]'))
    with pytest.raises(AccessError, match="the demo asks nobody who they are"):
        Daemon(site, demo=True)


@pytest.mark.parametrize(
    ("http", "field", "says"),
    [
        ('cert_file = "a.pem"', "http.cert_file", "is given without key_file"),
        ('key_file = "a.key"', "http.key_file", "is given without cert_file"),
        ('cert_file = "nowhere.pem"\nkey_file = "nowhere.key"', "http.cert_file", "cannot be read: no such"),
        ('cert_file = "site.toml"\nkey_file = "site.toml"', "http.cert_file", "no certificate with its open"),
        ('cert_file = "a.pem"\nkey_file = "b.key"', "http.cert_file", "no certificate with its open key"),
        ('trusted_proxy = ["proxy.example"]', "http.trusted_proxy", "no address or network"),
        ('trusted_proxy = ["10.0.0.1", "10.0.0.0/33"]', "http.trusted_proxy", "'10.0.0.0/33' is no address"),
        (
            "session_idle_s = 600\nsession_longest_s = 60",
            "http.session_idle_s",
            "longer than session_longest",
        ),
        ("session_idle_s = 5", "http.session_idle_s", "out of range"),
        ("beyond_this_machine = true", "http.beyond_this_machine", "not a known setting"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, authority: Authority, http: str, field: str, says: str) -> None:
    site = write_site(tmp_path, http)
    for name in ("a", "b"):
        cert, key = authority.issue(name)
        (site / f"{name}.pem").write_bytes(cert.read_bytes())
        (site / f"{name}.key").write_bytes(key.read_bytes())
    found = [p for p in check_site(site) if p.severity is Severity.ERROR]
    assert any(p.field == field and says in p.message for p in found), found
    assert all(p.line is not None and p.fix for p in found)


# --- a certificate of its own ---


@pytest.mark.broker
def test_served_by_https_with_sessions_that_outlive_a_restart(
    tmp_path: Path, broker: Broker, authority: Authority
) -> None:
    """Signed in over TLS; still so after a restart; the certificate renewed on the way, without one."""
    site = write_site(tmp_path, 'host = "0.0.0.0"\ncert_file = "server.pem"\nkey_file = "server.key"', broker)
    install(authority, site, "server-1")
    people = People(site, clock=Machine())  # type: ignore[arg-type]
    people.book.add("anna", "operator", PASSWORD, BY)  # type: ignore[arg-type]
    people.close()
    trust = ssl.create_default_context(cafile=authority.cert)
    with Service(site).start(connected=False) as service:
        url = f"https://127.0.0.1:{service.port}"
        assert service.wait_for("listening")["page"] == f"https://0.0.0.0:{service.port}"
        with pytest.raises(httpx.HTTPError):
            httpx.get(f"http://127.0.0.1:{service.port}/health/live", timeout=PATIENCE_S)
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            httpx.get(f"{url}/health/live", timeout=PATIENCE_S)
        with httpx.Client(base_url=url, verify=trust, timeout=PATIENCE_S) as browser:
            assert browser.get("/api/v1/alarms").status_code == 401
            answer = browser.post("/sign-in", data={"name": "anna", "password": PASSWORD})
            assert answer.status_code == 303, answer.text
            cookie = answer.headers["set-cookie"].split(";")[0]
            assert cookie.startswith("__Host-hissmark=")
        assert asks(url, trust, cookie) == "anna"

        first = serial(service.port)
        install(authority, site, "server-2")
        service.wait_for("certificate taken up anew")
        assert serial(service.port) != first
        assert service.stop() == 0
        service.start(connected=False)
        assert asks(url, trust, cookie) == "anna"
        assert service.stop() == 0


class Machine:
    """The machine's clock."""

    def now_us(self) -> int:
        return time.time_ns() // 1000


def install(authority: Authority, site: Path, name: str) -> None:
    cert, key = authority.issue(name, "IP:127.0.0.1")
    (site / "server.key").write_bytes(key.read_bytes())
    (site / "server.pem").write_bytes(cert.read_bytes())


def asks(url: str, trust: ssl.SSLContext, cookie: str) -> str:
    with httpx.Client(verify=trust, timeout=PATIENCE_S, headers={"Cookie": cookie}) as client:
        return str(client.get(f"{url}/api/v1/me").json()["name"])


def serial(port: int) -> str:
    return ssl.get_server_certificate(("127.0.0.1", port))


def test_old_versions_of_tls_are_not_spoken(tmp_path: Path, authority: Authority) -> None:
    """RFC 8996: TLS 1.0 and 1.1 are not to be used."""
    from fastapi import FastAPI

    from hissmark.daemon.certificate import CertificateFiles
    from hissmark.daemon.http import WebServer

    cert, key = authority.issue("versions", "IP:127.0.0.1")
    server = WebServer(FastAPI(), "127.0.0.1", 0, CertificateFiles(cert, key))
    server.start()
    try:
        for offered, answered in ((ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True)):
            context = ssl.create_default_context(cafile=authority.cert)
            context.set_ciphers("DEFAULT:@SECLEVEL=0")
            context.minimum_version = ssl.TLSVersion.TLSv1
            context.maximum_version = offered
            assert speaks(server.port, context) is answered
    finally:
        server.stop()


def speaks(port: int, context: ssl.SSLContext) -> bool:
    until_s = time.monotonic() + 10
    while True:
        try:
            return httpx.get(f"https://127.0.0.1:{port}/nothing", verify=context).status_code == 404
        except httpx.ConnectError as error:
            if "SSL" in str(error) or time.monotonic() > until_s:
                return False


def test_a_half_written_certificate_does_no_harm(tmp_path: Path, authority: Authority) -> None:
    """Certificate and key are replaced one after the other: between them the old pair goes on."""
    from hissmark.daemon.certificate import Certificate, CertificateFiles

    site = tmp_path
    install(authority, site, "half-1")
    files = CertificateFiles(site / "server.pem", site / "server.key")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.cert, files.key)
    kept = Certificate(files, context)
    assert not kept.refresh()
    cert, key = authority.issue("half-2", "IP:127.0.0.1")
    files.cert.write_bytes(cert.read_bytes())
    assert not kept.refresh()
    files.cert.unlink()
    assert not kept.refresh()
    files.cert.write_bytes(cert.read_bytes())
    files.key.write_bytes(key.read_bytes())
    assert kept.refresh()
    assert not kept.refresh()
