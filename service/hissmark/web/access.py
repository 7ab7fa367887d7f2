"""Signing in and out, who one is, and the audit journal."""

from __future__ import annotations

import html
from typing import Annotated
from urllib.parse import parse_qs

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse
from typing_extensions import TypedDict

from hissmark.access.errors import RefusedError
from hissmark.publish.times import rfc3339
from hissmark.web.answers import answer
from hissmark.web.callers import Caller
from hissmark.web.context import CALLER, Context, WebContext
from hissmark.web.gate import cookie_name, session_secret
from hissmark.web.paging import next_link
from hissmark.web.parameters import Limit, Seq
from hissmark.web.problems import DOCUMENTED

router = APIRouter(prefix="/api/v1", tags=["access"], responses=DOCUMENTED)
pages = APIRouter(include_in_schema=False)


class Me(TypedDict):
    """Who asks. `asks` tells whether the service has users at all; without, name and role are null."""

    asks: bool
    name: str | None
    role: str | None


class AuditLine(TypedDict):
    """One line of the audit journal: who did what, when, from where."""

    seq: int
    at: str
    who: str
    address: str
    event: str
    detail: str


class AuditPage(TypedDict):
    """A page of it, newest first. `next` is the address of the following page, null on the last."""

    entries: list[AuditLine]
    next: str | None


@router.get("/me", response_model=Me)
def me(context: Context) -> Response:
    """Whether one is signed in, as whom, with which role."""
    user = context.user
    known: Me = {
        "asks": user is not None,
        "name": None if user is None else user.name,
        "role": None if user is None else user.role.value,
    }
    return answer(known)


@router.get("/audit", response_model=AuditPage)
def audit(context: Context, limit: Limit = 100, before: Seq = None) -> Response:
    """Sign-ins, refusals, actions, changes of users and tokens. Kept for good."""
    rows = [] if context.book is None else context.book.audit(before, limit)
    entries: list[AuditLine] = [
        {
            "seq": row.seq,
            "at": rfc3339(row.at_us),
            "who": row.who,
            "address": row.address,
            "event": row.event,
            "detail": row.detail,
        }
        for row in rows
    ]
    onwards = {"limit": limit, "before": rows[-1].seq} if rows else {}
    more = next_link("/api/v1/audit", onwards) if len(rows) == limit else None
    return answer({"entries": entries, "next": more})


@pages.get("/sign-in")
async def sign_in_page(
    context: Context, next_: Annotated[str, Query(alias="next", max_length=2000)] = "/"
) -> Response:
    """The form. Without users it says how to make the first one."""
    book = context.book
    if book is not None and await run_in_threadpool(lambda: book.asks):
        return _page(context, next_)
    text = _FRAME.format(site=html.escape(context.site_name), inside=_NO_USERS)
    return HTMLResponse(text, headers=_KEPT_BY_NOBODY)


@pages.post("/sign-in")
async def sign_in(context: Context, request: Request) -> Response:
    """Check name and password; then to where one wanted to go, with the session as a cookie."""
    name, password, there = _fields(await request.body())
    caller: Caller = request.scope[CALLER]
    book = context.book
    if book is None:
        return RedirectResponse("/", 303)
    try:
        secret = await run_in_threadpool(book.sign_in, name, password, caller.address)
    except RefusedError as refusal:
        context.metrics.sign_ins.labels("waiting" if refusal.wait_s > 0 else "refused").inc()
        return _page(context, there, name, refusal)
    context.metrics.sign_ins.labels("granted").inc()
    went = RedirectResponse(_local(there), 303, headers=_KEPT_BY_NOBODY)
    went.set_cookie(
        cookie_name(caller), secret, max_age=book.limits.longest_s, path="/", secure=caller.secure,
        httponly=True, samesite="strict",
    )  # fmt: skip
    return went


@pages.post("/sign-out")
async def sign_out(context: Context, request: Request) -> Response:
    """End the session and forget its cookie."""
    caller: Caller = request.scope[CALLER]
    secret = session_secret(request.headers, caller)
    if context.book is not None and secret:
        await run_in_threadpool(context.book.sign_out, secret, caller.address)
    went = RedirectResponse("/sign-in", 303)
    went.delete_cookie(cookie_name(caller), path="/", secure=caller.secure, httponly=True, samesite="strict")
    return went


def _fields(body: bytes) -> tuple[str, str, str]:
    """Name, password and where to go then; empty where the form has none."""
    try:
        found = parse_qs(body.decode("utf-8", "replace"), max_num_fields=10)
    except ValueError:
        found = {}
    name, password, there = (found.get(key, [""])[0] for key in ("name", "password", "next"))
    return name, password, there


_KEPT_BY_NOBODY = {"Cache-Control": "no-store"}


def _local(there: str) -> str:
    """Only addresses of this service: a link must not lead from our form to somebody else's page."""
    plain = there.startswith("/") and not there.startswith(("//", "/\\"))
    return there if plain and there.isprintable() and there.isascii() else "/"


def _page(
    context: WebContext, there: str, name: str = "", refusal: RefusedError | None = None
) -> HTMLResponse:
    trouble = "" if refusal is None else f'<p class="trouble" role="alert">{html.escape(str(refusal))}</p>'
    text = _FORM.format(
        site=html.escape(context.site_name), trouble=trouble, name=html.escape(name[:100]),
        there=html.escape(_local(there)), first="" if name else " autofocus",
        second=" autofocus" if name else "",
    )  # fmt: skip
    headers = dict(_KEPT_BY_NOBODY)
    if refusal is None:
        return HTMLResponse(text, headers=headers)
    if refusal.wait_s > 0:
        headers["Retry-After"] = str(max(1, round(refusal.wait_s)))
    return HTMLResponse(text, 429 if refusal.wait_s > 0 else 403, headers)


_FRAME = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>Sign in · {site} · hissmark</title>
<link rel="icon" href="/static/mark.svg" type="image/svg+xml">
<link rel="stylesheet" href="/static/style.css">
<link rel="stylesheet" href="/static/sign-in.css">
</head>
<body class="sign-in">
<header id="top"><span class="home"><img src="/static/mark.svg" alt="" width="34" height="22">
<span id="site">{site}</span></span></header>
<main id="page">
{inside}
</main>
</body>
</html>
"""

_FORM = _FRAME.replace(
    "{inside}",
    """<h1>Sign in</h1>
{trouble}
<form method="post" action="/sign-in">
<input type="hidden" name="next" value="{there}">
<label>Name <input name="name" value="{name}" maxlength="64" required
autocomplete="username" autocapitalize="none" spellcheck="false"{first}></label>
<label>Password <input name="password" type="password" maxlength="256" required
autocomplete="current-password"{second}></label>
<button>Sign in</button>
</form>
<p class="note">No account, or a password forgotten: whoever runs hissmark makes one
with <code>hissmark user</code>.</p>""",
)

_NO_USERS = """<h1>Nobody has to sign in yet</h1>
<p>This site has no users; its pages are open, on this machine only. The first one is made on the command
line:</p>
<p><code>hissmark user add SITE NAME --role administrator</code></p>
<p><a href="/">To the pages</a></p>"""
