"""The gate before the application: who asks, and whether they may. Plain ASGI, so that streams pass."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from hissmark.access.audit import AuditEvent, Author
from hissmark.access.book import Book
from hissmark.access.policy import Open, needed
from hissmark.access.roles import Identity, Means, Role
from hissmark.store.errors import StoreError
from hissmark.web.callers import Caller
from hissmark.web.context import CALLER, IDENTITY, WebContext
from hissmark.web.problems import problem

log = structlog.get_logger(__name__)

LOOK_AGAIN_S = 10.0
"""How often an open stream is checked: who was shut out must not go on watching."""

NOTE_AGAIN_S = 60.0
"""At most this often a refusal of the same user goes on record."""

_READING = ("GET", "HEAD", "OPTIONS")


def cookie_name(caller: Caller) -> str:
    """RFC 6265bis: with this prefix it is only taken from an encrypted connection to this very host."""
    return "__Host-hissmark" if caller.secure else "hissmark"


def session_secret(headers: Headers, caller: Caller) -> str:
    """The secret of the session cookie, empty if there is none."""
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(cookie_name(caller))
    except CookieError:
        return ""
    return found.value if found is not None else ""


class Gate:
    """Lets a request through, with who asks in its scope, or answers it with what is missing."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._refused_s: dict[str, float] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        context: WebContext = scope["app"].state.context
        caller = scope[CALLER] = Caller.of(scope, context.proxies)
        book = context.book
        refusal = _not_from_there(scope, context, caller) or _foreign(scope, caller)
        needs = needed(scope["method"], scope["path"])
        if refusal is None and needs is not Open.ALWAYS and not context.demo:
            try:
                refusal = await self._asked(scope, caller, book, needs)
            except StoreError as error:
                log.error("cannot look who is asking", error=str(error))
                refusal = problem(503, f"The store does not answer: {error}", headers={"Retry-After": "5"})
        if refusal is not None:
            await refusal(scope, receive, send)
        elif book is None or IDENTITY not in scope:
            await self._app(scope, receive, send)
        elif scope["method"] in _READING:
            await self._watched(scope, receive, send, book)
        else:
            await self._recorded(scope, receive, send, book)

    async def _asked(
        self, scope: Scope, caller: Caller, book: Book | None, needs: Role | Open
    ) -> Response | None:
        """An answer if whoever asks must not pass. While there is no user everybody on this machine may."""
        if book is None or not await run_in_threadpool(lambda: book.asks):
            return _rebound(caller)
        if needs is Open.ON_THIS_MACHINE and caller.here:
            return None
        return await self._identified(scope, caller, book, Role.VIEWER if isinstance(needs, Open) else needs)

    async def _identified(self, scope: Scope, caller: Caller, book: Book, asked: Role) -> Response | None:
        """Puts who asks into the scope; an answer if that is nobody or not enough."""
        who = await run_in_threadpool(_look(scope, caller, book, active=True))
        if who is None:
            return _sign_in_first(scope)
        if who.means is Means.SESSION and scope["method"] not in _READING and not _own(scope, caller):
            return problem(403, "Only the pages of this service may act in your name. Programs use a token.")
        if not who.role.may(asked):
            await self._note_refusal(scope, caller, book, who, asked)
            return problem(403, f"This needs the role {asked}; {who.name} has the role {who.role}.")
        scope[IDENTITY] = who
        return None

    async def _note_refusal(
        self, scope: Scope, caller: Caller, book: Book, who: Identity, asked: Role
    ) -> None:
        """On record, but a program that asks again and again must not fill the disk."""
        now_s = time.monotonic()
        if now_s - self._refused_s.get(who.name, -NOTE_AGAIN_S) < NOTE_AGAIN_S:
            return
        self._refused_s[who.name] = now_s
        author = Author(who.name, caller.address)
        detail = f"{scope['method']} {scope['path']} needs {asked}"
        await run_in_threadpool(book.note, author, AuditEvent.REFUSED, detail)

    async def _watched(self, scope: Scope, receive: Receive, send: Send, book: Book) -> None:
        """Pass on, and end a stream once whoever listens may do so no longer."""
        looked_s, over = time.monotonic(), asyncio.Event()
        look = _look(scope, scope[CALLER], book, active=False)

        async def send_on(message: Message) -> None:
            nonlocal looked_s
            if over.is_set():
                raise OSError("not allowed to listen any more")
            if message.get("more_body") and time.monotonic() - looked_s > LOOK_AGAIN_S:
                looked_s = time.monotonic()
                if await run_in_threadpool(look) is None:
                    over.set()
                    message = {"type": "http.response.body", "body": b"", "more_body": False}
            await send(message)

        try:
            await self._app(scope, _until(receive, over), send_on)
        except Exception:
            if not over.is_set():
                raise

    async def _recorded(self, scope: Scope, receive: Receive, send: Send, book: Book) -> None:
        """Pass on, and put on record what was done with which answer."""
        status = 500

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, send_on)
        finally:
            author = Author(scope[IDENTITY].name, scope[CALLER].address)
            detail = f"{scope['method']} {scope['path']}: {status}"
            await run_in_threadpool(_note, book, author, detail)


def _until(receive: Receive, over: asyncio.Event) -> Receive:
    """A `receive` that also tells the application that its client has gone once it is over."""

    async def receive_on() -> Message:
        heard, ended = asyncio.ensure_future(receive()), asyncio.ensure_future(over.wait())
        try:
            await asyncio.wait((heard, ended), return_when=asyncio.FIRST_COMPLETED)
            return heard.result() if heard.done() else {"type": "http.disconnect"}
        finally:
            heard.cancel()
            ended.cancel()

    return receive_on


def _note(book: Book, author: Author, detail: str) -> None:
    try:
        book.note(author, AuditEvent.ACTED, detail)
    except StoreError as error:  # the action itself is on record with who did it
        log.error("the audit journal could not be written", error=str(error), who=author.who, what=detail)


def _look(scope: Scope, caller: Caller, book: Book, *, active: bool) -> Callable[[], Identity | None]:
    """The question who asks. A token that is no good is not made up for by a cookie.

    Other kinds of Authorization are for the proxy in front.
    """
    headers = Headers(scope=scope)
    kind, _, token = headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer":
        return lambda: book.of_token(token.strip())
    secret = session_secret(headers, caller)
    return lambda: book.of_session(secret, active=active) if secret else None


def _own(scope: Scope, caller: Caller) -> bool:
    """Whether a page of this service sent it: browsers say so, and pages cannot make them lie."""
    headers = Headers(scope=scope)
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:  # what the browser itself says counts, also behind a proxy that changes the host
        return site == "same-origin"
    return origin is not None and caller.wrote(origin)


def _foreign(scope: Scope, caller: Caller) -> Response | None:
    """A page of somebody else tries to have something done, signed in or not."""
    headers = Headers(scope=scope)
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    own = site in ("same-origin", "none") if site is not None else origin is None or caller.wrote(origin)
    if own or scope["method"] in _READING:
        return None
    return problem(403, "Only the pages of this service may act in your name.")


def _not_from_there(scope: Scope, context: WebContext, caller: Caller) -> Response | None:
    """Behind a proxy that encrypts, nobody may come past it in the clear."""
    straight = not context.proxies or context.tls or caller.proxied or caller.here
    if straight or scope["path"].startswith("/health/"):
        return None
    return problem(403, "This service answers only through its proxy ([http] trusted_proxy of site.toml).")


def _rebound(caller: Caller) -> Response | None:
    """Where nobody has to sign in, no page of the internet may come in by giving its own name our address.

    Such a name always has a dot. Names from a trusted proxy are the proxy's business.
    """
    if caller.proxied or caller.by_address_or_plain_name:
        return None
    told = "Use the machine's address or plain name. A proxy in front is named in [http] trusted_proxy."
    return problem(421, told)


def _sign_in_first(scope: Scope) -> Response:
    headers = Headers(scope=scope)
    is_page = scope["method"] in ("GET", "HEAD") and not scope["path"].startswith(("/api/", "/metrics"))
    if is_page and not headers.get("authorization", "").lower().startswith("bearer"):
        query = scope["query_string"].decode("latin-1")
        there = quote(scope["path"]) + (f"?{query}" if query else "")
        return RedirectResponse(f"/sign-in?next={quote(there, safe='')}", 303)
    told = "Sign in on the page, or send a token (Authorization: Bearer ...). `hissmark user` makes both."
    return problem(401, told, headers={"WWW-Authenticate": 'Bearer realm="hissmark"'})
