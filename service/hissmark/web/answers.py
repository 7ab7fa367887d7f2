"""JSON answers, encoded in one pass: readings are plain dictionaries already."""

from __future__ import annotations

from typing import Any

import msgspec
from fastapi.responses import Response


def answer(value: Any, status: int = 200, **headers: str) -> Response:
    """A JSON answer that is never kept by a cache: everything here is about now."""
    named = {name.replace("_", "-"): text for name, text in headers.items()}
    return Response(
        msgspec.json.encode(value),
        status,
        media_type="application/json",
        headers={"Cache-Control": "no-store", **named},
    )


def pdf_answer(content: bytes, name: str) -> Response:
    """A PDF that a browser shows, and saves under `name`."""
    headers = {"Cache-Control": "no-store", "Content-Disposition": f'inline; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)
