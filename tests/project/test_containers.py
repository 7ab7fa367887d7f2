"""Dockerfile and compose file by the tools of their trade: the specification's schema, and a linter."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

DOCKER = Path(__file__).parents[2] / "docker"


def beside(program: str) -> str:
    """A program of the environment that the tests run in, whether or not that is on the PATH."""
    return str(Path(sys.executable).with_name(program))


def linted(file: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([beside("hadolint"), file], capture_output=True, text=True, check=False)


def validated(file: Path) -> subprocess.CompletedProcess[str]:
    """By the JSON schema of the Compose specification (compose-spec), as check-jsonschema carries it."""
    command = [beside("check-jsonschema"), "--builtin-schema", "vendor.compose-spec", str(file)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_compose_file_fits_the_specification() -> None:
    done = validated(DOCKER / "compose.yaml")
    assert done.returncode == 0, done.stdout


def misspelled(loaded: Any) -> None:
    loaded["services"]["hissmark"]["read-only"] = True


def of_the_wrong_kind(loaded: Any) -> None:
    loaded["services"]["broker"]["ports"] = "1883:1883"


@pytest.mark.parametrize("spoil", [misspelled, of_the_wrong_kind])
def test_a_mistake_in_it_would_be_found(tmp_path: Path, spoil: Any) -> None:
    loaded = yaml.safe_load((DOCKER / "compose.yaml").read_text("utf-8"))
    spoil(loaded)
    file = tmp_path / "compose.yaml"
    file.write_text(yaml.safe_dump(loaded), "utf-8")
    assert validated(file).returncode == 1


def test_services_wait_for_services_that_exist() -> None:
    """What no schema sees: names that point nowhere, a health that nobody checks."""
    loaded = yaml.safe_load((DOCKER / "compose.yaml").read_text("utf-8"))
    services = loaded["services"]
    for name, service in services.items():
        waits = service.get("depends_on", {})
        for other in waits:
            assert other in services, name
            condition = waits[other].get("condition") if isinstance(waits, dict) else None
            if condition == "service_healthy" and "build" not in services[other]:
                assert "healthcheck" in services[other], other
        for secret in service.get("secrets", []):
            assert secret in loaded["secrets"], name
        for volume in service.get("volumes", []):
            source = volume.split(":")[0]
            assert source.startswith(".") or source in loaded["volumes"], f"{name}: {source}"


def test_dockerfile_is_clean_by_a_linter() -> None:
    done = linted(DOCKER / "Dockerfile")
    assert (done.returncode, done.stdout) == (0, "")


def test_a_mistake_in_the_dockerfile_would_be_found(tmp_path: Path) -> None:
    """hadolint's DL3002: the last user is root."""
    file = tmp_path / "Dockerfile"
    file.write_text((DOCKER / "Dockerfile").read_text("utf-8").replace("USER 10001:10001", "USER root"))
    done = linted(file)
    assert "DL3002" in done.stdout
