"""The web application, put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from hissmark import __version__
from hissmark.publish.live import LiveState
from hissmark.web import access, problems
from hissmark.web.api import (
    alarms,
    baselines,
    changes,
    events,
    figures,
    groups,
    handover,
    health,
    history,
    holds,
    notifications,
    register,
    register_changes,
    repairs,
    reports,
    settings,
    summaries,
    tuning,
    valves,
    worth,
)
from hissmark.web.context import WebContext
from hissmark.web.gate import Gate
from hissmark.web.guards import Guards
from hissmark.web.pages import pages_router

DESCRIPTION = """Which closed valve leaks through its seat, and why the program thinks so.

Times are UTC (RFC 3339), levels dB. Errors are problem details (RFC 9457). Pages: follow `next`.
An aid for finding leaks, not proof of isolation."""


FRESHNESS_S = 1.0
"""How often the service looks whether a group has fallen silent."""


async def _watch(live: LiveState) -> None:
    while True:
        live.watch_freshness()
        await asyncio.sleep(FRESHNESS_S)


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    watching = asyncio.create_task(_watch(app.state.context.live))
    yield
    watching.cancel()


def create_app(context: WebContext) -> FastAPI:
    """The application of one site. Everything it knows comes from `context`."""
    app = FastAPI(
        title="hissmark",
        version=__version__,
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,  # the stock documentation page loads its scripts from the internet
        redoc_url=None,
        lifespan=_lifespan,
    )
    app.state.context = context
    problems.install(app)
    problems.describe(app)
    api = APIRouter(prefix="/api/v1")
    for part in (
        alarms,
        changes,
        baselines,
        events,
        figures,
        groups,
        handover,
        history,
        holds,
        notifications,
        register,
        register_changes,
        repairs,
        reports,
        settings,
        tuning,
        summaries,
        worth,  # before valves: a tag may hold slashes
        valves,
    ):
        api.include_router(part.router)
    app.include_router(api)
    app.include_router(access.router)
    app.include_router(access.pages)
    app.include_router(health.router)
    app.include_router(pages_router())
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(Gate)
    app.add_middleware(Guards, metrics=context.metrics)
    return app
