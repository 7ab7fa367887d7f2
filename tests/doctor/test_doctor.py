"""`hissmark doctor` against sites that are well and sites that are ill, with a real broker and service."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from hissmark.doctor.broker import look_at_broker
from hissmark.doctor.certificates import look_at_certificates
from hissmark.doctor.finding import Finding, State
from hissmark.site.load import load_site
from support.broker import Broker
from support.certificates import Authority
from support.publish import Gateway, senml_pack
from support.service import Service, cli, until, write_site

REGISTER = [
    {"channel": f"AX-{v}", "kind": "valve", "valve": f"XV-{v}", "group": "header", "position": v,
     "closed_when": f"ZT-{v} < 2"}
    for v in (1, 2)
]  # fmt: skip
HOUR_US = 3_600_000_000


def examined(folder: Path, *options: str, code: int) -> list[dict[str, Any]]:
    done = cli(folder, "doctor", "--json", *options, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def about(rows: list[dict[str, Any]], area: str, state: str) -> str:
    return "\n".join(f"{r['what']} {r['do']}" for r in rows if (r["area"], r["state"]) == (area, state))


@pytest.mark.broker
def test_a_running_site(tmp_path: Path, broker: Broker) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    with Service(folder).start() as service, closing(Gateway(broker)) as gateway:
        now_us = service_now_us()
        rows = [("AX-1", now_us - k * 10_000_000, 30.0, "dB") for k in range(20, 0, -1)]
        gateway.send(
            [("plant/a/levels", senml_pack(rows)), ("plant/a/levels", b"no json"), *stranger(now_us)]
        )
        service.wait_stored(20)
        until(lambda: service.get("/api/v1/unknown-names")["names"], "the stranger is listed")
        service.stop()  # saves its state
        service.start()
        found = examined(folder, code=0)
    assert "accepts us" in about(found, "broker", "fine")
    assert "plant/+/levels is granted" in about(found, "broker", "fine")
    assert "sound (quick check)" in about(found, "database", "fine")
    assert "journal is whole" in about(found, "database", "fine")
    assert "XX-9" in about(found, "data", "look")
    assert "not-json 1" in about(found, "data", "look")
    said = about(found, "data", "look")
    assert "1 of 2 levels never arrived: AX-2." in said
    assert "2 of 2 process values never arrived: ZT-1, ZT-2." in said
    assert "makes none" in about(found, "backups", "look")
    assert about(found, "service", "wrong") == ""


def stranger(now_us: int) -> list[tuple[str, bytes]]:
    return [("plant/a/levels", senml_pack([("XX-9", now_us, 30.0, "dB")]))]


def service_now_us() -> int:
    return time.time_ns() // 1000


@pytest.mark.broker
def test_service_and_broker_that_are_down(tmp_path: Path, broker: Broker) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    with Service(folder).start():
        pass
    broker.stop()
    found = examined(folder, code=1)
    assert "nothing listens there" in about(found, "broker", "wrong")
    assert "Nothing answers" in about(found, "service", "wrong")
    assert "hissmark run" in about(found, "service", "wrong")


def test_a_damaged_database_and_a_journal_with_a_gap(tmp_path: Path, broker: Broker) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    with Service(folder).start():
        pass
    database = folder / "data" / "hissmark.db"
    with sqlite3.connect(database) as connection:
        connection.execute(
            "INSERT INTO journal SELECT 5, 1, 1, 'v', 'g', 'passing', 'raised', 's', 'low', NULL, NULL,"
            " '', '', '', 0"
        )
    connection.close()
    assert "has gaps: 1 entries, numbers 5 to 5" in about(examined(folder, code=1), "database", "wrong")
    raw = bytearray(database.read_bytes())
    for page in range(4096, len(raw), 4096):
        raw[page : page + 64] = b"\xa5" * 64
    database.write_bytes(raw)
    found = examined(folder, code=1)
    assert about(found, "database", "wrong") != ""


def test_a_filter_that_the_broker_does_not_grant(tmp_path: Path, make_broker: Any) -> None:
    broker = make_broker(users={"anna": "secret"}, acl=("user anna", "topic read plant/+/json/#"))
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "password").write_text("secret")
    (tmp_path / "site" / "password").chmod(0o600)
    folder = write_site(
        tmp_path / "site", broker, REGISTER, mqtt={"username": "anna", "password_file": "password"}
    )
    found = list(look_at_broker(load_site(folder), 5.0))
    assert found[0].state is State.FINE
    (tmp_path / "site" / "password").write_text("wrong")
    refused = list(look_at_broker(load_site(folder), 5.0))
    assert [f.state for f in refused] == [State.WRONG]
    assert "password" in refused[0].what


@pytest.mark.parametrize(
    ("days", "state", "said"),
    [(400, State.FINE, "in 399 days"), (10, State.LOOK, "Renew it"), (-1, State.WRONG, "Renew it now")],
)  # fmt: skip
def test_our_certificate_and_when_it_ends(
    tmp_path: Path, broker: Broker, days: int, state: State, said: str
) -> None:
    folder = write_site(tmp_path / "site", broker, REGISTER)
    cert, key = Authority(tmp_path / "ca").issue("page", days=days)
    text = (folder / "site.toml").read_text()
    text = text.replace("[http]\n", f'[http]\ncert_file = "{cert}"\nkey_file = "{key}"\n')
    (folder / "site.toml").write_text(text)
    (found,) = look_at_certificates(load_site(folder), service_now_us())
    assert (found.state, said in f"{found.what} {found.do}") == (state, True), found


def test_a_broker_whose_certificate_is_for_another_host(tmp_path: Path, make_broker: Any) -> None:
    authority = Authority(tmp_path / "ca")
    broker = make_broker(tls=authority.broker_files("DNS:elsewhere.example"))
    folder = write_site(tmp_path / "site", broker, REGISTER, mqtt={"ca_file": str(authority.cert)})
    (found,) = look_at_certificates(load_site(folder), service_now_us())
    assert isinstance(found, Finding)
    assert found.state is State.WRONG
    assert "not accepted" in found.what
