"""What goes out goes to whom it is meant for: certificates good, over, of another host, of a stranger."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from hissmark.notify.channel import UnreachableError
from hissmark.notify.http import Target, post
from hissmark.notify.mail import Mail
from support.certificates import Authority
from support.receivers import MailServer

Pair = tuple[Path, Path]
BAD = {
    "over": ({"alternative": "DNS:localhost", "expired": True}, "expired"),
    "another host": ({"alternative": "DNS:elsewhere.example"}, "mismatch"),
}


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("stranger"), "Somebody else")


@contextmanager
def taking(pair: Pair) -> Iterator[tuple[str, list[bytes]]]:
    """An HTTPS server; gives its address and the bodies that it was sent."""
    bodies: list[bytes] = []

    class Take(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Take)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*pair)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    server.handle_error = lambda *_: None  # type: ignore[method-assign]  # callers that distrust it hang up
    Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    try:
        yield f"https://localhost:{server.server_address[1]}/hook", bodies
    finally:
        server.shutdown()
        server.server_close()


def test_a_webhook_that_is_the_one_meant(authority: Authority) -> None:
    with taking(authority.issue("hook", "DNS:localhost")) as (url, bodies):
        post(Target(url, 10.0, authority.cert), b"{}", {})
        assert bodies == [b"{}"]


@pytest.mark.parametrize("name", BAD)
def test_a_webhook_whose_certificate_is_not_good(authority: Authority, name: str) -> None:
    options, words = BAD[name]
    with taking(authority.issue("hook", **options)) as (url, bodies):  # type: ignore[arg-type]
        with pytest.raises(UnreachableError, match=f"certificate.*{words}"):
            post(Target(url, 10.0, authority.cert), b"{}", {})
        assert bodies == []


@pytest.mark.parametrize("ca", [True, False])
def test_a_webhook_of_a_stranger(authority: Authority, stranger: Authority, ca: bool) -> None:
    """Neither against our authority nor against those of the operating system."""
    with taking(stranger.issue("hook", "DNS:localhost")) as (url, bodies):
        with pytest.raises(UnreachableError, match="certificate"):
            post(Target(url, 10.0, authority.cert if ca else None), b"{}", {})
        assert bodies == []


def mail_to(server: MailServer, ca: Path, folder: Path) -> Mail:
    (folder / "pw").write_text("s3cret")
    return Mail(
        "localhost", server.port, "starttls", "hm", folder / "pw", ca, "a@x.example", ("b@x.example",), 10.0
    )


def letter() -> EmailMessage:
    mail = EmailMessage()
    mail["From"], mail["To"] = "a@x.example", "b@x.example"
    mail.set_content("text")
    return mail


@pytest.mark.parametrize("name", [*BAD, "a stranger"])
def test_a_mail_server_whose_certificate_is_not_good(
    authority: Authority, stranger: Authority, name: str, tmp_path: Path
) -> None:
    """It gets neither mail nor password."""
    options = BAD[name][0] if name in BAD else {"alternative": "DNS:localhost"}
    signer = authority if name in BAD else stranger
    server = MailServer(users={"hm": "s3cret"}, tls=signer.issue("mail", **options))  # type: ignore[arg-type]
    try:
        with pytest.raises(UnreachableError, match="certificate"):
            mail_to(server, authority.cert, tmp_path).post(letter())
        assert server.mails == []
    finally:
        server.close()


def test_a_mail_server_that_does_not_encrypt(authority: Authority, tmp_path: Path) -> None:
    """Asked to encrypt, it cannot: nothing is sent in the clear instead."""
    server = MailServer()
    try:
        with pytest.raises(UnreachableError, match=r"(?i)starttls"):
            mail_to(server, authority.cert, tmp_path).post(letter())
        assert server.mails == []
    finally:
        server.close()
