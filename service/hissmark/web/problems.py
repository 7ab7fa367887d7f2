"""Errors as RFC 9457 problem details: every answer that is not a success says what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import TypeAdapter
from starlette.exceptions import HTTPException
from typing_extensions import TypedDict

from hissmark.store.errors import StoreError

MEDIA_TYPE = "application/problem+json"

log = structlog.get_logger(__name__)


class FieldProblem(TypedDict):
    """One thing wrong with a request: where, and what."""

    where: str
    message: str


class Problem(TypedDict, total=False):
    """RFC 9457. `errors` names each field of a request that is wrong."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[FieldProblem]


def problem(status: int, detail: str, **more: Any) -> JSONResponse:
    """The answer for one problem. `detail` speaks to the person who asked."""
    headers: Mapping[str, str] | None = more.pop("headers", None)
    body = {"type": "about:blank", "title": _title(status), "status": status, "detail": detail, **more}
    return JSONResponse(body, status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def not_found(what: str, name: str, hint: str) -> HTTPException:
    """A 404 that tells where the right names are to be found."""
    return HTTPException(404, f"There is no {what} {printable(name)}. {hint}")


def printable(text: str, most: int = 80) -> str:
    """Text from outside, quoted and shortened, safe to send back."""
    shown = text if len(text) <= most else text[:most] + "..."
    return ascii(shown)


def install(app: FastAPI) -> None:
    """Make every error of `app` a problem."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(StoreError, _store)
    app.add_exception_handler(TimeoutError, _late)
    app.add_exception_handler(Exception, _unexpected)


_PLACE = "#/components/schemas/{model}"


def describe(app: FastAPI) -> None:
    """Put what problems look like into the description of the API, which refers to it."""
    plain = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is None:
            own = TypeAdapter(Problem).json_schema(ref_template=_PLACE)
            parts = {**own.pop("$defs", {}), Problem.__name__: own}
            plain().setdefault("components", {}).setdefault("schemas", {}).update(parts)
        return plain()

    app.openapi = described  # type: ignore[method-assign]


def _documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """By reference: with the type as `model`, FastAPI would build it anew for every status of every route,
    which was a third of the service's start.
    """
    content = {MEDIA_TYPE: {"schema": {"$ref": _PLACE.format(model=Problem.__name__)}}}
    return {status: {"description": HTTPStatus(status).phrase, "content": content} for status in statuses}


DOCUMENTED = _documented(400, 401, 403, 404, 405, 413, 422, 503)
"""For FastAPI's `responses`: what any endpoint may answer."""

REFUSED = _documented(403, 409)
"""What an action may answer besides: from a foreign page, or not possible as the alarm stands."""


def _title(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


async def _http(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    detail = str(error.detail)
    if detail == _title(error.status_code):
        detail = _DETAILS.get(error.status_code, detail)
    return problem(error.status_code, detail, instance=_instance(request), headers=error.headers)


async def _invalid(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)  # noqa: S101
    rows: list[FieldProblem] = [
        {"where": ascii(".".join(str(p) for p in e["loc"]))[1:-1], "message": ascii(e["msg"])[1:-1]}
        for e in error.errors()[:20]
    ]
    first = f"{rows[0]['where']}: {rows[0]['message']}" if rows else "The request cannot be read."
    return problem(422, first, errors=rows, instance=_instance(request))


async def _store(request: Request, error: Exception) -> JSONResponse:
    log.error("store failed while answering", path=request.url.path, error=str(error))
    return problem(503, f"The store does not answer: {error}", headers={"Retry-After": "5"})


async def _late(request: Request, error: Exception) -> JSONResponse:
    log.error("timed out while answering", path=request.url.path, error=str(error))
    detail = "It took too long and may still happen. Look at the alarm before asking again."
    return problem(503, detail, headers={"Retry-After": "5"})


async def _unexpected(request: Request, error: Exception) -> JSONResponse:
    log.error("failed while answering", path=request.url.path, exc_info=error)
    return problem(500, "The service failed while answering. Its log has the details.")


_DETAILS = {
    404: "There is nothing under this address. /api/v1/openapi.json lists what there is.",
    405: "This address does not take that method. /api/v1/openapi.json lists what it takes.",
}


def _instance(request: Request) -> str:
    return request.url.path[:200]
