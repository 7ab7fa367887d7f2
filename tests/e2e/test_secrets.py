"""Secrets are used and never shown: not in the most talkative log, answers, backups, or by the doctor."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pyarrow.parquet as pq
import pytest

from support.broker import Broker, free_port
from support.postgres import Postgres
from support.publish import senml_pack
from support.receivers import HttpReceiver
from support.service import Service, cli, until, write_site

pytestmark = [pytest.mark.broker, pytest.mark.postgres]

VALVES = ("1", "2", "3")
REGISTER = [
    {"channel": f"AX-{v}", "kind": "valve", "valve": f"XV-{v}", "group": "header", "position": i}
    for i, v in enumerate(VALVES)
]
MINUTE_US = 60_000_000
QUIET, LEAK = (30.0, 30.0, 30.0), (55.0, 46.0, 40.0)
FILES = {"broker": "zq-broker-7Hk2", "hook": "zq-hook-3Rt8", "mail": "zq-mail-5Vw1"}
DATABASE, PERSON = "zq-database-9Lm4", "zq person of sixteen"
READ = (
    "/api/v1/settings", "/api/v1/notifications", "/api/v1/audit", "/api/v1/alarms/journal",
    "/api/v1/rejects", "/api/v1/valves", "/api/v1/openapi.json", "/health/ready", "/metrics",
)  # fmt: skip


@pytest.fixture
def database(postgres: Postgres) -> Iterator[str]:
    """The address of an empty database with its password in it."""
    name = postgres.new_database()
    postgres.require_password("keeper", DATABASE)
    postgres.execute(f"ALTER DATABASE {name} OWNER TO keeper")
    yield f"postgresql+psycopg://keeper:{DATABASE}@{postgres.host}:{postgres.port}/{name}"
    postgres.drop_database(name)
    postgres.execute("DROP ROLE keeper")


def site_of(folder: Path, broker: Broker, hook: str) -> Path:
    """A site at its most talkative, with a secret for everything, and a mail server that is not there."""
    folder.mkdir()
    for name, secret in FILES.items():
        (folder / name).write_text(secret)
        (folder / name).chmod(0o600)
    write_site(
        folder, broker, REGISTER, mqtt={"username": "hissmark", "password_file": "broker"},
        tables={"baseline": {"learn_s": 3600, "learn_windows": 5}},
    )  # fmt: skip
    settings = folder / "site.toml"
    text = settings.read_text().replace("[log]\n", '[log]\nlevel = "debug"\n')
    text += f'[[notify.webhook]]\nname = "log"\nurl = "{hook}"\nsecret_file = "hook"\n'
    text += (
        f'[[notify.email]]\nname = "team"\nhost = "127.0.0.1"\nport = {free_port()}\nusername = "hm"\n'
        'password_file = "mail"\nsender = "a@x.example"\nto = ["b@x.example"]\n'
    )
    settings.write_text(text)
    return folder


def leak(broker: Broker) -> None:
    """An hour and a half of quiet, then forty minutes of a leak, by a gateway that signs in."""
    rng = np.random.default_rng(1)
    now_us = time.time_ns() // 1000 // MINUTE_US * MINUTE_US
    lines = []
    for minute in range(-150, 0):
        levels = LEAK if minute >= -40 else QUIET
        rows = [
            (f"AX-{v}", now_us + minute * MINUTE_US + i * 10_000_000, level + rng.normal(0, 0.4), "dB")
            for i in range(6)
            for v, level in zip(VALVES, levels, strict=True)
        ]
        lines.append(senml_pack(rows).decode())
    command = ["mosquitto_pub", "-h", broker.host, "-p", str(broker.port), "-u", "gw", "-P", "g", "-q", "1"]
    text = "\n".join(lines).encode()
    subprocess.run([*command, "-t", "plant/gw/levels", "-l"], input=text, check=True)


def signed_in(service: Service) -> httpx.Client:
    """A session of anna, after a try with a wrong password that is nearly right."""
    client = httpx.Client(base_url=f"http://127.0.0.1:{service.port}", timeout=60)
    for password in (f"{PERSON}!", PERSON):
        form = {"name": "anna", "password": password, "next": "/"}
        client.post("/sign-in", data=form, headers={"Sec-Fetch-Site": "same-origin"})
    assert client.get("/api/v1/alarms").status_code == 200
    return client


def tables_of(backup: Path) -> str:
    """Every value of every table, as text."""
    return "".join(str(pq.read_table(file).to_pylist()) for file in sorted(backup.rglob("*.parquet")))


def test_no_secret_is_shown_anywhere(
    tmp_path: Path, make_broker: Any, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = make_broker(users={"hissmark": FILES["broker"], "gw": "g"})
    monkeypatch.setenv("HISSMARK_STORE_URL", database)
    shown: dict[str, str] = {}
    with HttpReceiver(lambda _: 503) as hook:
        folder = site_of(tmp_path / "site", broker, hook.url)
        (folder / "person").write_text(PERSON)
        person = ["--password-file", str(folder / "person")]
        shown["user add"] = said("user", "add", str(folder), "anna", "--role", "administrator", *person)
        made = said("user", "token", "create", str(folder), "anna", "--role", "viewer", "--label", "x")
        token = made.splitlines()[0]
        (folder / "broker").write_text("zq-broker-wrong")
        with Service(folder) as service:
            service.start(connected=False)
            until(lambda: "password" in service.get("/health/ready", status=503)["detail"], "the refusal")
            (folder / "broker").write_text(FILES["broker"])
            service.wait_for("subscribed")
            leak(broker)
            for name in ("log", "team"):
                failing = f'hissmark_receiver_failing{{receiver="{name}"}}'
                until(lambda failing=failing: service.metric(failing) == 1, "both fail")
            with closing(signed_in(service)) as client:
                session = next(iter(client.cookies.values()))
                shown |= {path: client.get(path).text for path in READ}
            shown["a token's answer"] = with_token(service, token)
            shown["doctor"] = said("doctor", str(folder), "--json")
            done = cli(folder, "backup", "--out", str(tmp_path / "backup"))
            shown["backup"] = done.stdout + done.stderr
            service.stop()
        shown["log"] = (folder / "service.log").read_text()
    shown["tables of the backup"] = tables_of(tmp_path / "backup")
    for file in (tmp_path / "backup").rglob("*"):
        if file.is_file():
            shown[str(file.relative_to(tmp_path))] = file.read_bytes().decode("latin-1")
    assert '"level": "debug"' in shown["log"] or '"level": "info"' in shown["log"]
    secrets = [*FILES.values(), "zq-broker-wrong", DATABASE, PERSON, token, session, token.partition("_")[2]]
    found = [(place, secret) for place, text in shown.items() for secret in secrets if secret in text]
    assert found == []


def with_token(service: Service, token: str) -> str:
    answer = httpx.get(
        f"http://127.0.0.1:{service.port}/api/v1/alarms", headers={"Authorization": f"Bearer {token}"}
    )
    assert answer.status_code == 200
    assert json.loads(answer.text)["alarms"]
    return answer.text


def said(*words: str) -> str:
    """What a command says, on either stream."""
    done = subprocess.run(
        [sys.executable, "-m", "hissmark.cli.main", *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr
