"""Whatever is asked, the answer is a success or a problem that says what to do; never a 5xx for bad input."""

from __future__ import annotations

import json

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance

from hissmark.web.guards import MAX_BODY_BYTES
from support.invented import Invented

PATHS = (
    "/api/v1/valves/nobody", "/api/v1/groups/nowhere", "/api/v1/valves/nobody/history", "/api/v1/nothing",
    "/nothing",
)  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
def test_unknown_names_are_404_problems(client: TestClient, path: str) -> None:
    """RFC 9457 section 3: type, title, status, detail; media type application/problem+json."""
    answer = client.get(path)
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("application/problem+json")
    body = answer.json()
    assert (body["type"], body["status"], body["title"]) == ("about:blank", 404, "Not Found")
    assert len(body["detail"]) > 20


def test_wrong_method_is_405(client: TestClient) -> None:
    answer = client.post("/api/v1/valves")
    assert answer.status_code == 405
    assert "GET" in answer.headers["allow"]
    assert answer.json()["status"] == 405


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ("limit=0", "limit"), ("limit=1001", "limit"), ("limit=many", "limit"), ("after=-1", "after"),
        ("before=99999999999999999999999", "before"), ("from=yesterday", "from"),
        ("to=2026-03-01T00:00:00", "to"),
        ("from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z", "from"), ("event=exploded", "event"),
        ("valve=%00", "valve"),
    ],
)  # fmt: skip
def test_bad_queries_name_the_field(client: TestClient, query: str, where: str) -> None:
    answer = client.get(f"/api/v1/alarms/journal?{query}")
    assert answer.status_code == 422
    assert [e["where"] for e in answer.json()["errors"]] == [f"query.{where}"]


def test_large_bodies_are_refused_before_they_are_read(client: TestClient) -> None:
    body = json.dumps({"operator": "x" * MAX_BODY_BYTES}).encode()
    path = "/api/v1/alarms/XV-103/passing/acknowledge"
    assert client.post(path, content=body).status_code == 413
    chunks = (body[i : i + 4096] for i in range(0, len(body), 4096))
    answer = client.post(path, content=chunks)  # no content-length
    assert answer.status_code == 413
    assert str(MAX_BODY_BYTES) in answer.json()["detail"]


def test_foreign_pages_cannot_act(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    answer = client.post(
        "/api/v1/alarms/XV-103/passing/acknowledge",
        json={"operator": "Mallory"},
        headers={"Sec-Fetch-Site": "cross-site"},
    )
    assert answer.status_code == 403
    assert plant.reader.actions() == []


def test_store_that_does_not_answer_is_503(client: TestClient, plant: Invented) -> None:
    plant.reader.close()
    for name in ("hissmark.db", "hissmark.db-wal", "hissmark.db-shm"):
        (plant.folder / "data" / name).unlink(missing_ok=True)
    answer = client.get("/api/v1/alarms/journal")
    assert answer.status_code == 503
    assert "store" in answer.json()["detail"]


def test_every_answer_carries_the_guarding_headers(client: TestClient) -> None:
    for path in ("/", "/api/v1/alarms", "/nothing"):
        headers = client.get(path).headers
        assert "default-src 'self'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"


TEXT = st.text(max_size=40)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=TEXT, operator=TEXT, comment=TEXT, junk=st.binary(max_size=60))
def test_no_name_or_body_breaks_it(
    client: TestClient, name: str, operator: str, comment: str, junk: bytes
) -> None:
    from urllib.parse import quote

    part = quote(name.encode("utf-8", "surrogatepass"), safe="")
    path = f"/api/v1/alarms/{part}/passing/acknowledge"
    text = json.dumps({"operator": operator, "comment": comment})
    for body in (text.encode(), junk):
        answer = client.post(path, content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code < 500, answer.text
        answer.json()
    for path in ("valves/{}", "groups/{}", "valves/{}/history", "alarms/journal?valve={}", "valves?after={}"):
        answer = client.get(f"/api/v1/{path.format(part)}")
        assert answer.status_code < 500, answer.text


def test_fuzzed_from_its_own_description(plant: Invented) -> None:
    """schemathesis calls every operation as OpenAPI allows and forbids: no 5xx, answers as described."""
    from hissmark.web import create_app

    plant.raise_alarm("XV-103")
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", create_app(plant.context))
    checks = [not_a_server_error, content_type_conformance, response_schema_conformance]
    tried = set()
    some = schema.exclude(path="/api/v1/events").exclude(path_regex="^/health")
    for result in some.get_all_operations():
        operation = result.ok()

        @settings(max_examples=10, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy())
        def fuzz(case: schemathesis.Case) -> None:
            case.call_and_validate(checks=checks)

        fuzz()
        tried.add(operation.label)
    assert len(tried) >= 12
