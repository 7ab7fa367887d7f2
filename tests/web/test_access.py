"""Who may: every role at every address, signing in, sessions, tokens, foreign pages, proxies."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error

from hissmark.access.roles import Role
from hissmark.access.sessions import SessionLimits
from hissmark.store.notes import ShiftNote, add_note
from hissmark.web import create_app, gate
from hissmark.web.callers import Proxies
from support.browser import serving, wait_for
from support.invented import PASSING, QUIET, Invented, invented
from support.people import BY, NAMES, PASSWORD, People, by_session, by_token

ACKNOWLEDGE = "/api/v1/alarms/XV-103/passing/acknowledge"
IDLE_S, LONGEST_S = 3600, 86_400

#: What an address asks for, where it is neither "viewer to read" nor "operator to act". Written by hand, not
#: taken from the program.
NEEDS: dict[str, Role | None] = {
    "GET /health/live": None,
    "GET /health/ready": None,
    "GET /api/v1/settings": Role.ENGINEER,
    **{f"GET /api/v1/settings/{rest}": Role.ENGINEER for rest in ("tunable", "versions", "diff", "export")},
    **{f"POST /api/v1/settings/{rest}": Role.ENGINEER for rest in ("publish", "roll-back", "import")},
    "GET /api/v1/tuning/busiest": Role.ENGINEER,
    "GET /api/v1/tuning/runs": Role.ENGINEER,
    "POST /api/v1/tuning/runs": Role.ENGINEER,
    "GET /api/v1/tuning/runs/{number}": Role.ENGINEER,
    "POST /api/v1/tuning/runs/{number}/call-off": Role.ENGINEER,
    "GET /api/v1/audit": Role.ADMINISTRATOR,
    "GET /api/v1/legal-holds": Role.ADMINISTRATOR,
    "POST /api/v1/legal-holds": Role.ADMINISTRATOR,
    "POST /api/v1/legal-holds/{number}/release": Role.ADMINISTRATOR,
    "POST /api/v1/calibration": Role.ENGINEER,
    "POST /api/v1/calibration/{number}/withdraw": Role.ENGINEER,
    "POST /api/v1/assumptions": Role.ENGINEER,
    "GET /api/v1/register": Role.ENGINEER,
    **{
        f"GET /api/v1/register/{rest}": Role.ENGINEER
        for rest in ("export", "versions", "versions/{number}", "commissioning")
    },
    **{
        f"POST /api/v1/register/{rest}": Role.ENGINEER
        for rest in ("look", "look-rows", "look-row", "look-move", "look-version", "put-in-force")
    },
    **{
        f"POST /api/v1/baselines/{{channel}}/{step}": Role.ENGINEER
        for step in ("{step}", "from-period", "copy")
    },
}
FILLED = {
    "valve": "XV-103", "tag": "XV-103", "alarm": "passing", "name": "North", "receiver": "nobody", "id": "1",
    "number": "1", "channel": "XV-103", "step": "hold",
}  # fmt: skip
ENDLESS = "/api/v1/events"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Invented, People]]:
    """A plant with one alarm, and a user of each role."""
    folder = tmp_path_factory.mktemp("site")
    with invented(folder, {"North": 5}) as plant:
        plant.hear([c.source for c in plant.layout.channels])
        plant.tick({"North": PASSING})
        plant.raise_alarm("XV-103")
        people = People(folder, limits=SessionLimits(IDLE_S, LONGEST_S)).everybody()
        yield plant, people
        people.close()


@pytest.fixture(scope="module")
def app(house: tuple[Invented, People]) -> Any:
    plant, people = house

    def note(author: str, text: str, valve: str | None) -> ShiftNote:
        return add_note(people.engine, author, text, valve, people.clock.now_us())

    return create_app(replace(plant.context, book=people.book, write_note=note))


@pytest.fixture
def people(house: tuple[Invented, People]) -> People:
    return house[1]


@pytest.fixture
def client(app: Any) -> Iterator[TestClient]:
    made = TestClient(app, raise_server_exceptions=False, follow_redirects=False)
    yield made
    made.close()


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[tuple[Invented, People, TestClient]]:
    """The same, of its own: for what changes users or alarms."""
    with invented(tmp_path, {"North": 5}) as plant:
        plant.tick({"North": QUIET})
        people = People(tmp_path, limits=SessionLimits(IDLE_S, LONGEST_S))
        made = create_app(replace(plant.context, book=people.book))
        with TestClient(made, raise_server_exceptions=False, follow_redirects=False) as client:
            yield plant, people, client
        people.close()


def operations(app: Any) -> list[tuple[str, str, str]]:
    """(label, method, path with something in every place) of everything the API describes."""
    found = []
    for path, verbs in app.openapi()["paths"].items():
        plain = re.sub(r"\{(\w+)(?::path)?\}", lambda m: FILLED[m[1]], path)
        found += [(f"{verb.upper()} {path}", verb.upper(), plain) for verb in verbs]
    return found


def needed(label: str) -> Role | None:
    return NEEDS.get(label, Role.VIEWER if label.startswith("GET ") else Role.OPERATOR)


# --- roles ---


@pytest.mark.parametrize("means", ["session", "token"])
@pytest.mark.parametrize("role", [None, *Role], ids=lambda r: r or "nobody")
def test_every_role_at_every_address(
    app: Any, client: TestClient, people: People, role: Role | None, means: str
) -> None:
    """Each is refused exactly where its role is not enough; bodies are empty, so nothing is changed by it."""
    headers: dict[str, str] = {}
    if role is not None:
        headers = by_session(people.session(role)) if means == "session" else by_token(people.token(role))
    found, wanted = {}, {}
    for label, method, path in operations(app):
        asked = needed(label)
        allowed = asked is None or (role is not None and role.rank >= asked.rank)
        if path == ENDLESS and allowed:
            continue
        wanted[label] = "in" if allowed else "refused" if role is not None else "sign in"
        status = client.request(method, path, headers=headers).status_code
        found[label] = {401: "sign in", 403: "refused"}.get(status, "in")
        assert status < 500 or path == "/health/ready", (label, status)
    assert found == wanted
    assert len(found) > 15


def test_nothing_that_changes_something_is_left_to_readers(app: Any) -> None:
    """Every operation that is no GET is in the hands of an operator at least."""
    writing = [label for label, method, _ in operations(app) if method != "GET"]
    assert writing
    assert all(needed(label) is not Role.VIEWER for label in writing)


def test_strangers_get_a_challenge_or_the_form(client: TestClient) -> None:
    """RFC 6750 section 3: a 401 names the scheme. Pages lead to the form and back."""
    refused = client.get("/api/v1/alarms")
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"].startswith("Bearer")
    assert refused.headers["content-type"].startswith("application/problem+json")
    assert "Sign in" in refused.json()["detail"]
    page = client.get("/valve/XV-103?from=1h")
    assert page.status_code == 303
    assert page.headers["location"] == "/sign-in?next=%2Fvalve%2FXV-103%3Ffrom%3D1h"
    assert client.get("/sign-in").status_code == 200
    assert client.get("/static/style.css").status_code == 200


def test_refusal_names_the_role_and_goes_on_record(client: TestClient, people: People) -> None:
    answer = client.get("/api/v1/audit", headers=by_token(people.token(Role.ENGINEER)))
    assert answer.status_code == 403
    assert answer.json()["detail"] == "This needs the role administrator; eva has the role engineer."
    assert any(row.event == "refused" and row.who == "eva" for row in people.book.audit(limit=1000))


def test_without_users_everything_is_open(fresh: tuple[Invented, People, TestClient]) -> None:
    """And the first user closes it, without a restart."""
    plant, people, client = fresh
    plant.raise_alarm("XV-103")
    assert client.get("/api/v1/alarms").status_code == 200
    assert client.get("/api/v1/me").json() == {"asks": False, "name": None, "role": None}
    assert "user add" in client.get("/sign-in").text
    assert client.post(ACKNOWLEDGE, json={"operator": "Marie"}).status_code == 200
    people.book.add("vera", Role.VIEWER, PASSWORD, BY)
    assert client.get("/api/v1/alarms").status_code == 401
    people.book.disable("vera", BY)
    assert client.get("/api/v1/alarms").status_code == 401, "disabling the last user must not open the doors"


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8470", 200), ("[::1]:8470", 200), ("localhost:8470", 200), ("plant-pc", 200),
        ("evil.example", 421), ("evil.example:8470", 421), ("127.0.0.1.evil.example", 421), ("evil.", 421),
    ],
)  # fmt: skip
def test_open_pages_answer_to_no_name_of_the_internet(
    fresh: tuple[Invented, People, TestClient], host: str, status: int
) -> None:
    """DNS rebinding: a foreign page that gives its own name the address of this machine stays outside."""
    _, _, client = fresh
    headers = {"Host": host, "Origin": f"http://{host}"}
    assert client.get("/api/v1/alarms", headers=headers).status_code == status
    wanted = 422 if status == 200 else status
    assert client.post(ACKNOWLEDGE, json={}, headers=headers).status_code == wanted
    assert client.get("/health/live", headers=headers).status_code != 421


def test_store_that_does_not_answer_lets_nobody_in(fresh: tuple[Invented, People, TestClient]) -> None:
    plant, people, client = fresh
    people.everybody()
    token = people.token(Role.VIEWER)
    people.close()
    for path in (plant.folder / "data").iterdir():
        path.unlink()
    assert client.get("/api/v1/alarms", headers=by_token(token)).status_code == 503
    assert client.get("/health/live").status_code == 200, "it must not be restarted for that"


# --- who is put on record ---


@pytest.mark.parametrize("means", ["session", "token"])
def test_whoever_is_signed_in_is_put_on_record(
    fresh: tuple[Invented, People, TestClient], means: str
) -> None:
    """Whatever name the body claims."""
    plant, people, client = fresh
    people.everybody()
    plant.raise_alarm("XV-103")
    role = Role.OPERATOR
    headers = by_session(people.session(role)) if means == "session" else by_token(people.token(role))
    answer = client.post(ACKNOWLEDGE, json={"operator": "somebody else"}, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json()["alarm"]["operator"] == "otto"
    assert plant.reader.actions()[0].request.operator == "otto"
    acted = people.book.audit()[0]
    assert (acted.who, acted.event, acted.detail) == ("otto", "acted", f"POST {ACKNOWLEDGE}: 200")


# --- signing in ---


def sign_in(client: TestClient, name: str = "otto", password: str = PASSWORD, **more: Any) -> Any:
    return client.post("/sign-in", data={"name": name, "password": password, **more})


def test_signing_in_gives_a_guarded_cookie(client: TestClient) -> None:
    """RFC 6265bis: HttpOnly, SameSite=Strict, no Domain; and no Secure where there is no encryption."""
    answer = sign_in(client, next="/valve/XV-103")
    assert (answer.status_code, answer.headers["location"]) == (303, "/valve/XV-103")
    name, *attributes = [part.strip().lower() for part in answer.headers["set-cookie"].split(";")]
    assert name.startswith("hissmark=")
    assert {"httponly", "samesite=strict", "path=/", f"max-age={LONGEST_S}"} == set(attributes)
    assert client.get("/api/v1/me").json() == {"asks": True, "name": "otto", "role": "operator"}


def test_over_https_the_cookie_is_bound_to_the_host(app: Any) -> None:
    """RFC 6265bis section 4.1.3.2: the prefix __Host- requires Secure, Path=/ and no Domain."""
    with TestClient(app, base_url="https://leaks.north.example", follow_redirects=False) as client:
        answer = sign_in(client)
        assert answer.headers["set-cookie"].startswith("__Host-hissmark=")
        assert "; secure" in answer.headers["set-cookie"].lower()
        assert client.get("/api/v1/me").json()["name"] == "otto"


def test_signing_out_ends_the_session_for_good(client: TestClient) -> None:
    sign_in(client)
    secret = client.cookies["hissmark"]
    headers = {"Origin": "http://testserver"}
    assert client.post("/sign-out", headers=headers).headers["location"] == "/sign-in"
    assert "hissmark" not in client.cookies
    assert client.get("/api/v1/me", headers=by_session(secret)).status_code == 401


@pytest.mark.parametrize(
    "there",
    ["//evil.example", "https://evil.example/", "/\\evil.example", "javascript:alert(1)", "", "/a\r\nX: 1"],
)
def test_the_form_leads_nowhere_else(client: TestClient, there: str) -> None:
    assert sign_in(client, next=there).headers["location"] == "/"


@pytest.mark.parametrize(
    ("name", "password"),
    [("otto", "wrong"), ("nobody", PASSWORD), ("OTTO", PASSWORD), ("", ""), ("otto", "")],
)
def test_the_answer_does_not_tell_what_was_wrong(client: TestClient, name: str, password: str) -> None:
    answer = sign_in(client, name, password)
    assert answer.status_code == 403
    assert 'role="alert">Name or password is wrong.<' in answer.text
    assert "set-cookie" not in answer.headers


def test_the_form_shows_what_was_typed_as_text(client: TestClient) -> None:
    answer = sign_in(client, '"><script>alert(1)</script>', "x", next='/"><script>')
    assert "<script" not in answer.text


def test_guessing_is_slowed_down(fresh: tuple[Invented, People, TestClient]) -> None:
    """Five tries are free; then 2, 4, 8 s, during which even the right password is not looked at."""
    _, people, client = fresh
    people.everybody()
    for _ in range(4):
        assert sign_in(client, password="wrong").status_code == 403
    for wait_s in (2, 4, 8):
        answer = sign_in(client, password="wrong")
        assert (answer.status_code, answer.headers["retry-after"]) == (429, str(wait_s))
        people.clock.pass_s(wait_s - 0.5)
        assert sign_in(client).status_code == 429
        people.clock.pass_s(0.5)
    assert sign_in(client).status_code == 303
    text = client.get("/metrics").text
    for outcome, count in (("granted", 1), ("refused", 4), ("waiting", 6)):
        assert f'hissmark_sign_ins_total{{outcome="{outcome}"}} {count}.0' in text


# --- sessions ---


def test_a_session_ends_when_nothing_is_asked(client: TestClient, people: People) -> None:
    headers = by_session(people.session(Role.VIEWER))
    for _ in range(3):
        people.clock.pass_s(IDLE_S - 60)
        assert client.get("/api/v1/me", headers=headers).status_code == 200, "use prolongs it"
    people.clock.pass_s(IDLE_S)
    assert client.get("/api/v1/me", headers=headers).status_code == 401


def test_a_session_ends_however_busy(client: TestClient, people: People) -> None:
    headers = by_session(people.session(Role.VIEWER))
    for _ in range(2 * LONGEST_S // IDLE_S - 1):
        people.clock.pass_s(IDLE_S / 2)
        assert client.get("/api/v1/me", headers=headers).status_code == 200
    people.clock.pass_s(IDLE_S / 2)
    assert client.get("/api/v1/me", headers=headers).status_code == 401


def test_a_restart_signs_nobody_out(house: tuple[Invented, People]) -> None:
    plant, people = house
    headers = by_session(people.session(Role.VIEWER))
    restarted = create_app(replace(plant.context, book=people.again()))
    assert TestClient(restarted).get("/api/v1/me", headers=headers).json()["name"] == "vera"


def test_changed_password_and_disabling_end_sessions(fresh: tuple[Invented, People, TestClient]) -> None:
    _, people, client = fresh
    people.everybody()
    first = by_session(people.session(Role.VIEWER))
    people.book.set_password("vera", PASSWORD + "!", BY)
    assert client.get("/api/v1/me", headers=first).status_code == 401
    assert sign_in(client, "vera", PASSWORD + "!").status_code == 303
    people.book.disable("vera", BY)
    assert client.get("/api/v1/me").status_code == 401
    assert sign_in(client, "vera", PASSWORD + "!").status_code == 403


def test_another_role_counts_at_once(fresh: tuple[Invented, People, TestClient]) -> None:
    _, people, client = fresh
    people.everybody()
    headers = by_session(people.session(Role.ADMINISTRATOR))
    assert client.get("/api/v1/audit", headers=headers).status_code == 200
    people.book.set_role("ada", Role.VIEWER, BY)
    assert client.get("/api/v1/audit", headers=headers).status_code == 403


def test_an_open_stream_ends_with_the_session(
    house: tuple[Invented, People], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who is shut out does not go on watching: the stream of events ends, and the next one is refused."""
    plant, people = house
    monkeypatch.setattr(gate, "LOOK_AGAIN_S", 0.1)
    secret = people.session(Role.VIEWER)
    with serving(create_app(replace(plant.context, book=people.book))) as server:
        cookie = {"Cookie": f"hissmark={secret}"}
        with httpx.stream("GET", server.url + ENDLESS, headers=cookie, timeout=20) as stream:
            chunks = stream.iter_text()
            assert "event: pulse" in next(chunks)
            people.book.sign_out(secret, "10.0.0.9")
            rest = "".join(chunks)
        assert rest.count("event: pulse") <= 1
        assert httpx.get(server.url + ENDLESS, headers=cookie).status_code == 401
        wait_for(lambda: not plant.live.broadcast._subscribers, "the stream to be forgotten")


# --- pages of others (cross-site request forgery) ---


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://testserver"}, 404),
        ({"Sec-Fetch-Site": "same-origin"}, 404),
        ({"Origin": "http://testserver", "Sec-Fetch-Site": "same-origin"}, 404),
        ({}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "http://testserver:8470"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "https://leaks.north.example", "Sec-Fetch-Site": "same-origin"}, 404),
        ({"Origin": "http://testserver", "Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://testserver", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Referer": "http://testserver/"}, 403),
    ],
)
def test_only_our_own_pages_act_with_a_cookie(
    client: TestClient, people: People, headers: dict[str, str], status: int
) -> None:
    """404: it got past the gate, to a valve that is not there."""
    path = "/api/v1/alarms/XV-999/passing/acknowledge"
    cookie = {"Cookie": f"hissmark={people.session(Role.OPERATOR)}"}
    answer = client.post(path, json={"operator": "x"}, headers=cookie | headers)
    assert answer.status_code == status, answer.text


def test_tokens_need_no_page(client: TestClient, people: People) -> None:
    headers = by_token(people.token(Role.OPERATOR))
    path = "/api/v1/alarms/XV-999/passing/acknowledge"
    assert client.post(path, json={"operator": "x"}, headers=headers).status_code == 404


def test_other_sites_cannot_sign_anybody_in_or_out(client: TestClient) -> None:
    """Signing a person in under somebody else's name would put their actions under that name."""
    data = {"name": "otto", "password": PASSWORD}
    for path in ("/sign-in", "/sign-out"):
        answer = client.post(path, data=data, headers={"Origin": "http://evil.example"})
        assert answer.status_code == 403


# --- tokens ---


def test_a_token_ends(client: TestClient, people: People) -> None:
    headers = by_token(people.token(Role.VIEWER, days=2))
    people.clock.pass_s(2 * 86_400 - 1)
    assert client.get("/api/v1/me", headers=headers).status_code == 200
    people.clock.pass_s(1)
    assert client.get("/api/v1/me", headers=headers).status_code == 401


def test_a_revoked_token_is_none(client: TestClient, people: People) -> None:
    number, secret = people.book.create_token("vera", "", None, 1, BY)
    assert client.get("/api/v1/me", headers=by_token(secret)).status_code == 200
    people.book.revoke_token(number, BY)
    assert client.get("/api/v1/me", headers=by_token(secret)).status_code == 401


def test_a_token_may_no_more_than_its_role_and_its_user(fresh: tuple[Invented, People, TestClient]) -> None:
    _, people, client = fresh
    people.everybody()
    low = by_token(people.book.create_token("ada", "", Role.VIEWER, 1, BY)[1])
    full = by_token(people.book.create_token("ada", "", None, 1, BY)[1])
    assert client.get("/api/v1/audit", headers=low).status_code == 403
    assert client.get("/api/v1/audit", headers=full).status_code == 200
    people.book.set_role("ada", Role.OPERATOR, BY)
    assert client.get("/api/v1/audit", headers=full).status_code == 403
    people.book.disable("ada", BY)
    assert client.get("/api/v1/alarms", headers=full).status_code == 401


@pytest.mark.parametrize("text", ["Bearer", "Bearer ", "Bearer x", "bearer hissmark_x", "Bearer \u00e9"])
def test_a_wrong_token_is_not_made_up_for_by_a_cookie(client: TestClient, people: People, text: str) -> None:
    headers = by_session(people.session(Role.VIEWER)) | {"Authorization": text}
    sent = {name: value.encode("latin-1") for name, value in headers.items()}
    assert client.get("/api/v1/me", headers=sent).status_code == 401


def test_the_database_holds_no_secret(house: tuple[Invented, People]) -> None:
    plant, people = house
    session, token = people.session(Role.VIEWER), people.token(Role.VIEWER)
    held = b"".join(path.read_bytes() for path in (plant.folder / "data").iterdir())
    for secret in (session, token, PASSWORD):
        assert secret.encode() not in held
    assert b"$argon2id$v=19$m=65536,t=3,p=4$" in held  # RFC 9106, section 4, second recommended option


# --- metrics, proxies ---


def from_address(app: Any, address: str, **headers: str) -> TestClient:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return TestClient(app, client=(address, 50_000), headers=named, follow_redirects=False)


def test_metrics_are_open_to_this_machine_only(app: Any, people: People) -> None:
    assert from_address(app, "127.0.0.1").get("/metrics").status_code == 200
    assert from_address(app, "::1").get("/metrics").status_code == 200
    assert from_address(app, "10.0.0.5").get("/metrics").status_code == 401
    passed_on = from_address(app, "127.0.0.1", X_Forwarded_For="10.0.0.5")
    assert passed_on.get("/metrics").status_code == 401, "a proxy on this machine is not this machine"
    token = by_token(people.token(Role.VIEWER))
    assert from_address(app, "10.0.0.5").get("/metrics", headers=token).status_code == 200


@pytest.fixture
def behind(fresh: tuple[Invented, People, TestClient]) -> Any:
    """The application behind a proxy at 10.0.0.1."""
    plant, people, _ = fresh
    people.everybody()
    return create_app(replace(plant.context, book=people.book, proxies=Proxies(["10.0.0.1"]))), people


def test_nobody_comes_past_the_proxy(behind: Any) -> None:
    app, people = behind
    token = by_token(people.token(Role.ADMINISTRATOR))
    past = from_address(app, "10.0.0.77", X_Forwarded_For="127.0.0.1", X_Forwarded_Proto="https")
    assert past.get("/api/v1/me", headers=token).status_code == 403
    assert past.get("/sign-in").status_code == 403
    assert past.get("/health/live").status_code == 200
    assert from_address(app, "10.0.0.1").get("/api/v1/me", headers=token).status_code == 200
    assert from_address(app, "127.0.0.1").get("/api/v1/me", headers=token).status_code == 200


def test_the_proxy_says_who_calls_and_how(behind: Any) -> None:
    """The last address that no proxy vouches for counts: what stands before it may be invented."""
    app, people = behind
    through = from_address(
        app, "10.0.0.1", X_Forwarded_For="1.2.3.4, 192.0.2.7, 10.0.0.1", X_Forwarded_Proto="https",
        X_Forwarded_Host="leaks.north.example",
    )  # fmt: skip
    answer = sign_in(through)
    assert answer.headers["set-cookie"].startswith("__Host-hissmark=")
    assert people.book.audit()[0].address == "192.0.2.7"
    cookie = {"Cookie": answer.headers["set-cookie"].split(";")[0]}
    own, foreign = {"Origin": "https://leaks.north.example"}, {"Origin": "https://evil.example"}
    path = "/api/v1/alarms/XV-999/passing/acknowledge"
    assert through.post(path, json={"operator": "x"}, headers=cookie | own).status_code == 404
    assert through.post(path, json={"operator": "x"}, headers=cookie | foreign).status_code == 403


def test_a_proxy_on_this_machine_is_told_from_the_machine(house: tuple[Invented, People]) -> None:
    plant, people = house
    app = create_app(replace(plant.context, book=people.book, proxies=Proxies(["127.0.0.1"])))
    assert from_address(app, "127.0.0.1").get("/metrics").status_code == 200
    assert from_address(app, "127.0.0.1", X_Forwarded_For="192.0.2.7").get("/metrics").status_code == 401
    assert from_address(app, "127.0.0.1", X_Forwarded_For="127.0.0.1").get("/metrics").status_code == 401


def test_callers_behind_one_proxy_are_told_apart(behind: Any) -> None:
    """One who guesses does not lock out the others."""
    app, _ = behind
    guess = from_address(app, "10.0.0.1", X_Forwarded_For="192.0.2.7")
    for _ in range(5):
        sign_in(guess, password="wrong")
    assert sign_in(guess).status_code == 429
    assert sign_in(from_address(app, "10.0.0.1", X_Forwarded_For="192.0.2.8")).status_code == 303


# --- headers, audit, fuzz ---


@pytest.mark.parametrize("path", ["/sign-in", "/", "/api/v1/alarms", "/nothing"])
def test_pages_are_guarded(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = {part.split()[0]: part.split()[1:] for part in headers["content-security-policy"].split(";")}
    assert policy["default-src"] == ["'self'"]
    assert "script-src" not in policy
    assert policy["frame-ancestors"] == ["'none'"]
    assert policy["form-action"] == ["'self'"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_no_page_needs_what_the_policy_forbids(client: TestClient, people: People) -> None:
    """No inline script, style or handler."""
    for path in ("/sign-in", "/"):
        text = client.get(path, headers=by_session(people.session(Role.VIEWER))).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=", text)


def test_the_audit_journal_is_paged(client: TestClient, people: People) -> None:
    headers = by_token(people.token(Role.ADMINISTRATOR))
    first = client.get("/api/v1/audit?limit=3", headers=headers).json()
    second = client.get(first["next"], headers=headers).json()
    seqs = [row["seq"] for page in (first, second) for row in page["entries"]]
    assert seqs == list(range(seqs[0], seqs[0] - 6, -1))
    assert set(first["entries"][0]) == {"seq", "at", "who", "address", "event", "detail"}


@pytest.mark.parametrize("text", ["http://[", "[", "http://a:b", "//", ":", "[::1", "\u00ff", "a" * 5000])
def test_no_crooked_address_breaks_it(
    client: TestClient, fresh: tuple[Invented, People, TestClient], text: str
) -> None:
    """Neither where people have to sign in nor where everything is open."""
    raw = text.encode("latin-1")
    for one in (client, fresh[2]):
        for name in ("Origin", "Host", "X-Forwarded-For", "X-Forwarded-Host"):
            for method, path in (("GET", "/api/v1/alarms"), ("POST", "/sign-in"), ("POST", ACKNOWLEDGE)):
                assert one.request(method, path, headers={name: raw}).status_code < 500


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=200), header=st.text(st.characters(max_codepoint=255), max_size=60))
def test_no_form_header_or_cookie_breaks_it(client: TestClient, body: bytes, header: str) -> None:
    raw = header.replace("\r", "").replace("\n", "").replace("\0", "").encode("latin-1")
    for name in ("Cookie", "Authorization", "Origin", "X-Forwarded-For", "Host"):
        answer = client.post("/sign-in", content=b"name=a&" + body[:80], headers={name: raw})
        assert answer.status_code < 500, answer.text
        assert client.get("/api/v1/me", headers={name: raw}).status_code in (401, 303)


def test_fuzzed_by_an_administrator(app: Any, people: People) -> None:
    """schemathesis calls every operation as described and not: no 5xx, and nobody comes in by chance."""
    schema = schemathesis.openapi.from_dict(app.openapi())
    schema.app = app
    token = by_token(people.token(Role.ADMINISTRATOR))
    tried = set()
    for result in schema.exclude(path=ENDLESS).exclude(path_regex="^/health").get_all_operations():
        operation = result.ok()

        @settings(max_examples=12, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy())
        def fuzz(case: schemathesis.Case) -> None:
            answer = case.call(headers=token)
            case.validate_response(answer, checks=[not_a_server_error])
            assert answer.status_code not in (401, 403), "an administrator may everything"
            assert case.call().status_code in (401, 405), "and nobody else comes in"

        fuzz()
        tried.add(operation.label)
    assert len(tried) >= 15


def test_names_of_all_roles_are_tried() -> None:
    assert set(NAMES) == set(Role)
