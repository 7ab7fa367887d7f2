"""What is handed to whoever runs it is tried, not only written: broker settings, unit, compose file."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from hissmark.site.load import check_site
from hissmark.site.problems import Severity
from support.patience import PATIENCE_S
from support.shipped_broker import Client, Shipped

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
DOCKER = ROOT / "docker"


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shipped]:
    with Shipped(tmp_path_factory.mktemp("mosquitto")).running() as broker:
        yield broker


@pytest.mark.broker
def test_shipped_broker_lets_gateways_say_only_their_own(shipped: Shipped) -> None:
    """A gateway publishes below its own name, over TLS; what it or hissmark says elsewhere reaches nobody."""
    ear = Client(shipped.plain, "hissmark", keep=True)
    ear.subscribe("plant/#")
    gateway = Client(shipped.tls, "gw1", ca=shipped.folder / "certs" / "ca.crt")
    for user, topic in (("gw2", "plant/gw1/levels"), ("hissmark", "plant/gw1/levels"), ("gw2", "other")):
        intruder = Client(shipped.plain, user)  # Mosquitto 2.0.11 cuts its connection, later ones do not
        intruder.mqtt.publish(topic, b"[]", 0).wait_for_publish(PATIENCE_S)
        intruder.close()
    gateway.publish("plant/gw1/levels")
    gateway.publish("plant/gw1/process")
    assert ear.wait_for(2) == ["plant/gw1/levels", "plant/gw1/process"]
    gateway.close()
    ear.mqtt.unsubscribe("plant/#")
    ear.close()


@pytest.mark.broker
@pytest.mark.parametrize("user", ["stranger", ""])
def test_shipped_broker_refuses_strangers(user: str, shipped: Shipped) -> None:
    client = Client(shipped.plain, user)
    assert client.refused
    client.close()


@pytest.mark.broker
def test_shipped_broker_keeps_more_than_the_default_thousand(shipped: Shipped) -> None:
    """With Mosquitto's default limit 4,000 of these 5,000 would be dropped without a word."""
    away = Client(shipped.plain, "hissmark", keep=True)
    away.subscribe("plant/gw2/levels")
    away.close()
    gateway = Client(shipped.plain, "gw2")
    gateway.publish("plant/gw2/levels", 5000)
    gateway.close()
    back = Client(shipped.plain, "hissmark", keep=True)
    assert len(back.wait_for(5000)) == 5000
    back.close()


def unit_text() -> str:
    return (DEPLOY / "systemd" / "hissmark@.service").read_text("utf-8")


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd on this machine")
def test_unit_is_understood_and_hardened(tmp_path: Path) -> None:
    """systemd finds no fault with the unit, and rates its exposure 'OK' (2.0 of 10) or better."""
    unit = tmp_path / "hissmark-north.service"
    unit.write_text(unit_text().replace("/opt/hissmark/bin/hissmark", sys.executable), "utf-8")
    verify = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)
    assert (verify.returncode, verify.stderr) == (0, "")
    command = ["systemd-analyze", "security", "--offline=yes", "--threshold=20", unit]
    rated = subprocess.run(command, capture_output=True, text=True, check=False)
    assert rated.returncode == 0, rated.stdout[-300:]


def test_unit_gives_the_service_time_to_stop() -> None:
    """A clean stop is promised within 10 s; systemd must not kill before that."""
    seconds = re.search(r"^TimeoutStopSec=(\d+)$", unit_text(), re.M)
    assert seconds
    assert int(seconds[1]) > 10


def compose() -> dict[str, dict[str, dict[str, object]]]:
    loaded: dict[str, dict[str, dict[str, object]]] = yaml.safe_load(
        (DOCKER / "compose.yaml").read_text("utf-8")
    )
    return loaded


def test_compose_mounts_files_that_exist() -> None:
    """A file that is missing is made as a folder by the engine, and fails late and darkly."""
    for service in compose()["services"].values():
        for volume in service.get("volumes", []):  # type: ignore[attr-defined]
            source = volume.split(":")[0]
            if source.startswith(".") and "secrets" not in source:
                assert (DOCKER / source).exists(), source


def test_compose_services_are_confined() -> None:
    """Read-only, no capabilities, no new privileges, and nothing published beyond this machine."""
    for name, service in compose()["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert all(str(port).startswith("127.0.0.1:") for port in service.get("ports", [])), name  # type: ignore[attr-defined]


def test_compose_secrets_are_made_by_the_script() -> None:
    script = (DOCKER / "secrets.sh").read_text("utf-8")
    for name in compose()["secrets"]:
        assert f"secret {name}\n" in script


def test_compose_site_is_accepted(tmp_path: Path) -> None:
    """`hissmark check` finds no error in the site of the compose file, and warns of what its comments say."""
    text = (DOCKER / "site" / "site.toml").read_text("utf-8")
    password = tmp_path / "broker_password"
    password.write_text("secret")
    (tmp_path / "site.toml").write_text(text.replace("/run/secrets/broker_password", str(password)), "utf-8")
    shutil.copy(ROOT / "config" / "register.csv", tmp_path)
    problems = check_site(tmp_path)
    assert [str(p) for p in problems if p.severity is Severity.ERROR] == []
    assert {p.field for p in problems} <= {"mqtt.password_file"}


def test_image_runs_without_rights_and_is_watched() -> None:
    """The image's own promises: a numbered user that is not root, a health check, a clean stop."""
    image = (DOCKER / "Dockerfile").read_text("utf-8").split("FROM ")[-1]
    assert re.search(r"^USER 10001:10001$", image, re.M)
    assert "HEALTHCHECK" in image
    assert "alive.py" in image
    assert re.search(r"^STOPSIGNAL SIGTERM$", image, re.M)
    assert not re.search(r"\b(apt-get|curl|wget)\b", image)
