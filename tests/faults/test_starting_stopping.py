"""Starting when something is missing, stopping under load, brokers that come late or come back empty."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from faults.test_store_away import assert_one_message
from support import panel
from support.broker import Broker, free_port
from support.faults import SQLITE, Seen, fault
from support.publish import Gateway
from support.service import Service, cli, until, write_site

pytestmark = pytest.mark.broker

MakeBroker = Callable[..., Broker]


@fault(
    "Port of the page taken, store that cannot be, mistakes in the site",
    promised="one message, exit code 1, no traceback",
    stores=SQLITE,
)
def test_a_port_in_use_is_one_clear_message(tmp_path: Path, broker: Broker) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    with socket.create_server(("127.0.0.1", Service(site).port)):
        done = cli(site, "run", check=False)
    assert_one_message(done, "Choose another port in [http] of site.toml")


@fault("Port of the page taken, store that cannot be, mistakes in the site", stores=SQLITE)
def test_a_store_that_cannot_be_is_one_clear_message(tmp_path: Path, broker: Broker) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    (site / "data").write_text("a file where the folder of the database should be")
    assert_one_message(cli(site, "run", check=False), "cannot be a file there. Name a file in a folder.")


@fault("Port of the page taken, store that cannot be, mistakes in the site", stores=SQLITE)
def test_mistakes_in_the_site_are_all_told(tmp_path: Path, broker: Broker) -> None:
    site = write_site(
        tmp_path / "site", broker, [*panel.REGISTER, panel.REGISTER[0]], tables={"signal": {"tick_s": 7}}
    )
    done = cli(site, "run", check=False)
    assert done.returncode == 1
    assert "register.csv" in done.stderr
    assert "tick_s" in done.stderr
    assert "Traceback" not in done.stderr


@fault(
    "Broker not there at the start",
    promised="waits for it and names the reason in the log and in `/health/ready`",
    stores=SQLITE,
)
def test_started_before_the_broker(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker", port=free_port())
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    with Service(site).start(connected=False) as service:
        said = service.wait_for("no connection to the broker")
        assert "nothing listens there (connection refused)" in said["reason"]
        ready = until(lambda: service.get("/health/ready", status=503), "an answer")
        until(lambda: "nothing listens there" in str(service.get("/health/ready", status=503)), "the reason")
        assert any(check["name"] == "broker" and not check["ok"] for check in ready["checks"])
        with broker:
            service.wait_for("subscribed")
            Gateway(broker).send(panel.packs(panel.rows(10)))
            service.wait_stored(30)
            assert service.stop() == 0


@fault(
    "Wrong password for the broker",
    promised="told in words; put right without a restart, the file is read again at each attempt",
    stores=SQLITE,
)
def test_a_wrong_password_is_told_and_can_be_put_right(tmp_path: Path, make_broker: MakeBroker) -> None:
    broker = make_broker(users={"hissmark": "right"})
    site = write_site(
        tmp_path / "site", broker, panel.REGISTER, mqtt={"username": "hissmark", "password_file": "password"}
    )
    (site / "password").write_text("wrong\n")
    (site / "password").chmod(0o600)
    with Service(site).start(connected=False) as service:
        said = service.wait_for("no connection to the broker")
        assert "refused the connection" in said["reason"]
        assert "check username" in said["reason"]
        assert "wrong\n" not in str(service.log())
        until(
            lambda: "check username" in str(service.get("/health/ready", status=503)),
            "the reason on the page",
        )
        (site / "password").write_text("right\n")
        service.wait_for("subscribed")
        assert service.stop() == 0


@fault("SIGTERM under load", promised="exit code 0 within 10 s, nothing lost", stores=SQLITE)
def test_stopped_under_load(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    """Within ten seconds, with exit 0, several times; what was under way comes again."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    found = panel.rows(20_000, step_s=2)
    service = Service(site)
    with service.start(), Gateway(broker).sending(list(panel.singles(found)), rate=9000):
        for _ in range(2):
            before = service.stored()
            until(lambda: service.stored() > before, "more samples on record")  # noqa: B023
            assert service.stop() == 0
            seen.at_most("s to end", service.stopped_s)
            assert service.stored() < 60_000, "it was under load"
            service.start()
        panel.assert_stored(service, found)


@fault(
    "SIGTERM while the database is away or hangs, or in a long catch-up",
    promised="exit code 0 within 10 s, nothing lost; the work in hand is undone and comes again",
)
def test_stopped_while_catching_up(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    """A long way to catch up after a start is no reason to stop late: the rest is for the next start."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    with Service(site).start() as service:
        Gateway(broker).send(panel.packs(panel.rows(8_000, step_s=10)))
        service.wait_stored(24_000)
        assert service.stop() == 0
    forget_state(site)
    with Service(site).spawn() as service:
        service.wait_for("catching up with what is stored")
        time.sleep(0.3)
        assert service.stop() == 0
        assert not service.logged("listening"), "it was still catching up"
        seen.at_most("s to end", service.stopped_s)
    with Service(site).start() as service:
        assert service.stop() == 0
        assert service.stored() == 24_000


def forget_state(site: Path) -> None:
    """As if the service had been killed before it ever saved its state."""
    import sqlite3

    with sqlite3.connect(site / "data" / "hissmark.db") as connection:
        connection.execute("DELETE FROM engine_state")
    connection.close()


@fault(
    "Broker restarted without persistence",
    promised="subscribed again, the loss of the session told (`broker forgot the session`); "
    "what comes later is stored",
    stores=SQLITE,
)
def test_a_broker_that_comes_back_empty_is_subscribed_to_again(
    tmp_path: Path, make_broker: MakeBroker
) -> None:
    broker = make_broker(persistence=False)
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    found = panel.rows(200)
    with Service(site).start() as service:
        gateway = Gateway(broker)
        gateway.send(panel.packs(found[:100]))
        service.wait_stored(300)
        broker.kill()
        service.wait_for("no connection to the broker")
        broker.start()
        service.wait_for("subscribed", times=2)
        assert service.logged("broker forgot the session")
        gateway.send(panel.packs(found[100:]))
        panel.assert_stored(service, found)
