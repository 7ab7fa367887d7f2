"""The list of parts: complete, valid, licences looked at; and what is told of advisories."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

from project import parts_list
from project.test_dependencies import declared, normal
from support.broker import free_port


@pytest.fixture(scope="module")
def bom(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The one that tests/run has made from the installed wheel, else one of this environment."""
    made = os.environ.get("HISSMARK_PARTS")
    file = Path(made) if made else tmp_path_factory.mktemp("parts") / "hissmark.cdx.json"
    if not file.exists():
        parts_list.write(file)
    loaded: dict[str, Any] = json.loads(file.read_text("utf-8"))
    return loaded


def names(bom: dict[str, Any]) -> set[str]:
    return {normal(c["name"]) for c in bom["components"]}


def test_it_is_valid(bom: dict[str, Any]) -> None:
    """By the schema of CycloneDX 1.6."""
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(json.dumps(bom)) is None


def test_it_is_of_hissmark_and_what_it_declares(bom: dict[str, Any]) -> None:
    root = bom["metadata"]["component"]
    assert (root["name"], root["version"]) == ("hissmark", distribution("hissmark").version)
    assert declared("postgres", "opcua") - names(bom) == set()
    assert not {"pytest", "mypy", "ruff", "selenium"} & names(bom)
    assert "pydantic-core" in names(bom)  # what comes along counts, too
    for component in bom["components"]:
        assert component["purl"].startswith("pkg:pypi/"), component["name"]
        assert component["version"] == distribution(component["name"]).version


def test_it_tells_what_needs_what(bom: dict[str, Any]) -> None:
    needs = {row["ref"]: row["dependsOn"] for row in bom["dependencies"]}
    assert set(needs) == {c["bom-ref"] for c in [bom["metadata"]["component"], *bom["components"]]}
    assert any(
        ref.startswith("starlette==") for ref in needs[next(r for r in needs if r.startswith("fastapi=="))]
    )


def test_every_licence_is_allowed(bom: dict[str, Any]) -> None:
    parts_list.check_licences(bom)
    assert set(parts_list.LOOKED_AT) <= names(bom)
    text = distribution("protobuf").read_text("LICENSE") or ""
    assert "Redistribution and use in source and binary forms" in text  # as LOOKED_AT says of it
    assert "Neither the name of" in text


@pytest.mark.parametrize(
    ("licence", "permissive"),
    [("MIT", True), ("EPL-2.0 OR BSD-3-Clause", True), ("BSD-3-Clause AND 0BSD", True),
     ("AGPL-3.0-only", False), ("MIT AND GPL-3.0-only", False), ("", False),
     ("License :: OSI Approved :: GNU General Public License v3 (GPLv3)", False)],
)  # fmt: skip
def test_which_licences_are_permissive(licence: str, permissive: bool) -> None:
    assert parts_list.is_permissive(licence) is permissive


@pytest.mark.parametrize("licences", [[], [{"license": {"id": "AGPL-3.0-only"}}]])
def test_a_licence_that_nobody_looked_at_fails(licences: list[Any]) -> None:
    with pytest.raises(parts_list.LicenceError, match="stranger"):
        parts_list.check_licences({"components": [{"name": "stranger", "licenses": licences}]})


@pytest.mark.parametrize("name", sorted(parts_list.LOOKED_AT))
def test_a_part_that_changes_its_licence_is_looked_at_again(name: str) -> None:
    with pytest.raises(parts_list.LicenceError, match=name):
        parts_list.check_licences({"components": [{"name": name, "licenses": [{"expression": "SSPL-1.0"}]}]})


# --- advisories ---


@contextmanager
def advisories(of: str) -> Iterator[str]:
    """A server that speaks OSV's query interface and knows one hole, in the part `of`."""
    hole = {
        "id": "OSV-TEST-1",
        "summary": "invented",
        "affected": [{"package": {"name": of, "ecosystem": "PyPI"}}],
    }

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            body = json.dumps({"vulns": [hole]} if asked["package"]["name"] == of else {}).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/v1/query"
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_known_hole_fails() -> None:
    with advisories("numpy") as address:
        code, said = parts_list.audit(address, {"numpy": "1.0", "rich": "13.0"})
    assert code == 1
    assert "numpy 1.0: OSV-TEST-1" in said


def test_none_known() -> None:
    with advisories("numpy") as address:
        assert parts_list.audit(address, {"rich": "13.0"}) == (0, "advisories: none for 1 parts")


def test_a_server_that_cannot_be_reached_is_said_and_no_failure() -> None:
    code, said = parts_list.audit(f"http://127.0.0.1:{free_port()}/v1/query", {"rich": "13.0"})
    assert code == 0
    assert "cannot be reached" in said
    assert "NOT audited" in said
