"""Callers that are slow, silent, greedy or many, at the real server through plain sockets."""

from __future__ import annotations

import itertools
import socket
import time
from collections.abc import Iterator
from contextlib import closing

import httpx
import pytest
from fastapi import FastAPI, Request, Response

from hissmark.daemon.connections import Bounds
from hissmark.daemon.http import WebServer
from hissmark.publish.metrics import Metrics
from hissmark.web import guards
from hissmark.web.guards import Guards

LARGE = 64 << 20
FROM_ONE = 6


@pytest.fixture(scope="module")
def server() -> Iterator[WebServer]:
    """Bounds as they are in the service, but short."""
    app = FastAPI()

    @app.get("/large")
    def large() -> Response:
        return Response(b"x" * LARGE)

    @app.post("/body")
    async def body(request: Request) -> Response:
        return Response(str(len(await request.body())))

    app.add_middleware(Guards, metrics=Metrics())
    found = WebServer(app, "127.0.0.1", 0, bounds=Bounds(headers_s=0.6, stalled_s=0.6, from_one=FROM_ONE))
    found.start()
    yield found
    found.stop()


@pytest.fixture
def caller(server: WebServer) -> Iterator[socket.socket]:
    with closing(connected(server)) as found:
        yield found


def connected(server: WebServer) -> socket.socket:
    found = socket.create_connection(("127.0.0.1", server.port))
    found.settimeout(60)
    return found


def cut_off(caller: socket.socket) -> bool:
    """Waits until the server has ended the connection; what it still says is passed over."""
    try:
        while caller.recv(4096):
            pass
    except ConnectionError:
        pass
    return True


def served(server: WebServer) -> bool:
    """Whether somebody who asks as usual is answered."""
    return httpx.post(f"{server.address}/body", content=b"abc", timeout=60).text == "3"


def test_who_says_nothing_is_cut_off(server: WebServer, caller: socket.socket) -> None:
    assert served(server)
    assert cut_off(caller)


def test_who_sends_headers_byte_by_byte_is_cut_off(server: WebServer, caller: socket.socket) -> None:
    """However busy it keeps: what counts is when the headers are complete."""
    caller.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n")
    assert dripped(caller) > 0
    assert served(server)


def dripped(caller: socket.socket) -> int:
    """Send a byte every now and then until the connection is ended; how many there were."""
    caller.settimeout(0.05)
    for sent in itertools.count():
        try:
            caller.sendall(b"X")
            if caller.recv(1) == b"":
                return sent
        except TimeoutError:
            continue
        except ConnectionError:
            return sent
    raise AssertionError


def test_a_second_request_has_no_more_time_than_the_first(caller: socket.socket) -> None:
    caller.sendall(b"POST /body HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\n\r\nab")
    assert b"200 OK" in caller.recv(4096)
    caller.sendall(b"POST /bo")
    assert cut_off(caller)


def test_who_does_not_read_its_answer_is_cut_off(server: WebServer, caller: socket.socket) -> None:
    """Of 64 MB that nobody takes, what the two systems have not buffered never comes."""
    caller.sendall(b"GET /large HTTP/1.1\r\nHost: x\r\n\r\n")
    assert caller.recv(15) == b"HTTP/1.1 200 OK"
    while server._server.server_state.connections:
        time.sleep(0.05)
    taken = 0
    try:
        while got := caller.recv(1 << 20):
            taken += len(got)
    except ConnectionError:
        pass
    assert taken < LARGE
    assert served(server)


def test_a_body_that_does_not_come(
    caller: socket.socket, monkeypatch: pytest.MonkeyPatch, server: WebServer
) -> None:
    monkeypatch.setattr(guards, "BODY_S", 0.3)
    caller.sendall(b"POST /body HTTP/1.1\r\nHost: x\r\nContent-Length: 20\r\n\r\nab")
    assert b"408 Request Timeout" in caller.recv(4096)
    monkeypatch.undo()
    assert served(server)


def test_headers_without_end_are_refused(server: WebServer, caller: socket.socket) -> None:
    try:
        caller.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"y" * (1 << 20))
        assert b"400 Bad Request" in caller.recv(4096)
    except ConnectionError:  # cut off while it was still sending
        pass
    assert served(server)


def test_more_connections_from_one_address_than_it_may_have(server: WebServer) -> None:
    """The last ones are turned away; when the first go, there is room again."""
    crowd = [connected(server) for _ in range(FROM_ONE + 4)]
    for one in crowd:
        one.settimeout(0.2)
    turned_away = 0
    for one in crowd[FROM_ONE:]:
        try:
            turned_away += one.recv(1) == b""
        except ConnectionError:
            turned_away += 1
        except TimeoutError:
            pass
    assert turned_away == 4
    for one in crowd:
        one.close()
    while True:
        try:
            assert served(server)
            break
        except httpx.TransportError:  # the server has not noticed yet that they are gone
            time.sleep(0.05)
