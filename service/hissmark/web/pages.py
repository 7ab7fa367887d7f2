"""The pages: one document whose scripts read the address; scripts, styles, charting library beside it."""

from __future__ import annotations

import hashlib
from importlib import resources

import structlog
from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException

from hissmark.web import charting

log = structlog.get_logger(__name__)

_TYPES = {"html": "text/html", "js": "text/javascript", "css": "text/css", "svg": "image/svg+xml"}

#: Addresses that a person can open or keep; app.js finds the page that each means.
ADDRESSES = (
    "/",
    "/group/{name:path}",
    "/valve/{name:path}",
    "/journal",
    "/figures",
    "/handover",
    "/sensors",
    "/register",
    "/baselines",
    "/repairs",
    "/repairs/{name:path}",
    "/tuning",
)


def pages_router() -> APIRouter:
    """Routes of the pages. Everything is read once: the files are part of the installed program."""
    router = APIRouter(include_in_schema=False)
    files = _own_files() | _charting_files()
    document = files["index.html"]

    def page(request: Request, name: str = "") -> Response:
        return _file(request, *document)

    for path in ADDRESSES:
        router.add_api_route(path, page)

    @router.get("/static/{name}")
    def static(request: Request, name: str) -> Response:
        if name not in files or name == "index.html":
            raise HTTPException(404)
        return _file(request, *files[name])

    return router


def _own_files() -> dict[str, tuple[bytes, str]]:
    folder = resources.files("hissmark.web") / "static"
    return {
        entry.name: (entry.read_bytes(), _TYPES[entry.name.rpartition(".")[2]])
        for entry in folder.iterdir()
        if entry.name.rpartition(".")[2] in _TYPES
    }


def _charting_files() -> dict[str, tuple[bytes, str]]:
    found = {}
    for asset in charting.ASSETS:
        try:
            found[asset.name] = (charting.load(asset), asset.media_type)
        except charting.ChartingMissingError as error:
            log.warning("valve pages show tables only", reason=str(error))
    return found


def _file(request: Request, content: bytes, media_type: str) -> Response:
    """A file with its checksum as ETag: browsers ask again, and get 304 until the program is upgraded."""
    tag = f'"{hashlib.sha256(content).hexdigest()[:20]}"'
    headers = {"ETag": tag, "Cache-Control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=f"{media_type}; charset=utf-8", headers=headers)
