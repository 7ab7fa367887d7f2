"""The pages as files: nothing from the internet, nothing minified of ours, little weight."""

from __future__ import annotations

import gzip
import hashlib
import re
from importlib import resources

import pytest
from fastapi.testclient import TestClient

from hissmark.web import charting

STATIC = resources.files("hissmark.web") / "static"
OWN = sorted(entry.name for entry in STATIC.iterdir())


def text(name: str) -> str:
    return (STATIC / name).read_text("utf-8")


@pytest.mark.parametrize("path", ["/", "/group/North", "/valve/XV-103?last=24h", "/journal", "/sensors"])
def test_every_page_is_the_same_document(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    assert "not proof of isolation" in answer.text


@pytest.mark.parametrize("name", OWN)
def test_nothing_comes_from_elsewhere(name: str) -> None:
    addresses = set(re.findall(r"(?:https?:)?//[a-z0-9.-]+", text(name)))
    assert addresses - {"http://www.w3.org", "//www.w3.org"} == set()


@pytest.mark.parametrize("name", [n for n in OWN if n.endswith((".js", ".css"))])
def test_our_files_are_written_by_hand(name: str) -> None:
    assert max(map(len, text(name).splitlines())) < 260
    assert len(text(name).splitlines()) < 320


def test_every_imported_module_is_served(client: TestClient) -> None:
    for name in OWN:
        for wanted in re.findall(r'from "\./([a-z]+\.js)"', text(name)):
            assert client.get(f"/static/{wanted}").status_code == 200, f"{name} imports {wanted}"


def first_load() -> set[str]:
    """What a browser fetches before the first page stands: document, styles, modules and their imports."""
    found = {"index.html", *re.findall(r'(?:href|src)="/static/([^"]+)"', text("index.html"))}
    found |= {worker for name in OWN for worker in re.findall(r'Worker\("/static/([a-z]+\.js)"', text(name))}
    waiting = [name for name in found if name.endswith(".js")]
    while waiting:
        for wanted in re.findall(r'^import .*from "\./([a-z]+\.js)"', text(waiting.pop()), re.MULTILINE):
            if wanted not in found:
                found.add(wanted)
                waiting.append(wanted)
    return found


def weight(names: set[str]) -> int:
    """Bytes on the wire at the level at which the service compresses."""
    return sum(len(gzip.compress(text(name).encode(), 5)) for name in names)


def test_first_load_is_light(client: TestClient) -> None:
    """Own files, compressed as they travel; stated in service/docs/operations.md."""
    assert {"now.js", "group.js", "past.js", "live.js", "stream.js"} < first_load()
    assert not {"valve.js", "chart.js", "figures.js", "figures.css"} & first_load()
    assert weight(first_load()) < 40_000
    assert len(gzip.compress(client.get("/static/uplot.js").content)) < 25_000


def test_charting_library_is_the_official_build(client: TestClient) -> None:
    for asset in charting.ASSETS:
        answer = client.get(f"/static/{asset.name}")
        assert answer.status_code == 200
        assert hashlib.sha256(answer.content).hexdigest() == asset.sha256
    assert b"github.com/leeoniya/uPlot (v1.6.31)" in client.get("/static/uplot.js").content[:80]


def test_a_tampered_charting_library_is_not_served() -> None:
    from dataclasses import replace

    with pytest.raises(charting.ChartingMissingError, match="not the official build"):
        charting.load(replace(charting.ASSETS[0], sha256="0" * 64))


def test_files_are_kept_by_the_browser_until_they_change(client: TestClient) -> None:
    first = client.get("/static/app.js")
    again = client.get("/static/app.js", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    "path", ["/static/..%2Fapp.py", "/static/nothing.js", "/static/index.html", "/docs", "/redoc"]
)
def test_nothing_else_is_served(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404
