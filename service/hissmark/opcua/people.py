"""Who is at the other end: users from the site's own accounts, and whom a method call comes from."""

from __future__ import annotations

from contextvars import ContextVar
from typing import Any

from asyncua import ua
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession

from hissmark.access.book import Book
from hissmark.access.errors import AccessError, RefusedError
from hissmark.access.roles import Role
from hissmark.store.errors import StoreError

ADDRESS = "OPC UA"
NOBODY = User(role=UserRole.Anonymous)
caller: ContextVar[User | None] = ContextVar("opc-ua-caller", default=None)
"""The user whose request is being carried out."""


class Person(User):  # type: ignore[misc]
    """A user of the site with the role that counts here."""

    def __init__(self, name: str, role: Role) -> None:
        super().__init__(role=UserRole.User, name=name)
        self.site_role = role


class People:
    """Lets users in by name and password. Anonymous callers only while the site has no users at all."""

    def __init__(self, book: Book | None) -> None:
        self._book = book

    def get_user(
        self, iserver: object, username: str | None = None, password: str | None = None,
        certificate: object = None,
    ) -> User | None:  # fmt: skip
        """The user, or None to refuse."""
        book = self._book
        if book is None or not book.asks:
            return Person(username or "OPC UA client", Role.OPERATOR)
        if not username or password is None:
            return None
        try:
            secret = book.sign_in(username, password, ADDRESS)
            known = book.of_session(secret)
            book.sign_out(secret, ADDRESS)
        except (AccessError, RefusedError, StoreError):
            return None
        return None if known is None else Person(known.name, known.role)


class Session(InternalSession):  # type: ignore[misc]
    """Tells method callbacks who calls: the library itself does not."""

    async def call(self, params: Any) -> Any:
        token = caller.set(self.user)
        try:
            return await super().call(params)
        finally:
            caller.reset(token)


class NamedServer(InternalServer):  # type: ignore[misc]
    """Makes such sessions."""

    def create_session(
        self,
        name: str,
        user: User = NOBODY,
        external: bool = False,
    ) -> InternalSession:
        return Session(self, self.aspace, self.subscription_service, name, user=user, external=external)


def operator_name() -> str:
    """Who acts. Raises the status code that a caller without the role gets."""
    user = caller.get()
    if not isinstance(user, Person) or not user.site_role.may(Role.OPERATOR):
        raise ua.UaStatusCodeError(ua.StatusCodes.BadUserAccessDenied)
    return user.name or ADDRESS
