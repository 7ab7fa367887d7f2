"""`hissmark user`: who may use the pages and the API of a site."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.errors import CommandError
from hissmark.cli.options import AsJson, SiteFolder

if TYPE_CHECKING:
    from hissmark.access.audit import Author
    from hissmark.access.book import Book

_EPILOG = """\b
Examples:
  hissmark user add north anna --role operator
  hissmark user list north
  hissmark user token create north anna --role viewer --label "shift log" --days 365

From the first user on everybody has to sign in. Roles, each with all of those before it: viewer (reads),
operator (acts on alarms), engineer (settings), administrator (users and the audit journal)."""

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, epilog=_EPILOG)
token = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

UserName = Annotated[str, typer.Argument(metavar="NAME", help="The user's name.", show_default=False)]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        "--password-file",
        metavar="FILE",
        help="Take the password from this file ('-': from stdin), do not ask.",
    ),
]


def add_to(parent: typer.Typer) -> None:
    """Register the commands."""
    app.add_typer(token, name="token", help="Tokens for programs that use the API.", short_help="API tokens.")
    parent.add_typer(
        app, name="user", help="Who may use the pages and the API of a site.", short_help="Users and tokens."
    )


@app.command("add", short_help="Make a user.")
def add(
    site: SiteFolder,
    name: UserName,
    role: Annotated[str, typer.Option(help="viewer, operator, engineer or administrator.")] = "viewer",
    password_file: PasswordFile = None,
) -> None:
    """Make a user; asks for the password."""
    from hissmark.access.roles import role_of

    wanted = role_of(role)
    with _book(site) as (book, by):
        made = book.add(name, wanted, _password(password_file), by)
        typer.echo(f"{made.name} may sign in as {made.role}.")


@app.command("list", short_help="Who there is.")
def list_users(site: SiteFolder, as_json: AsJson = False) -> None:
    """Every user with role, and whether the user may sign in."""
    from hissmark.cli.output import console, put_json, put_table, table
    from hissmark.publish.times import rfc3339, rfc3339_or_none

    with _book(site) as (book, _):
        rows = book.users()
    if as_json:
        for u in rows:
            put_json(
                {"name": u.name, "role": u.role.value, "created": rfc3339(u.created_us),
                 "password_set": rfc3339(u.password_us), "disabled": rfc3339_or_none(u.disabled_us)}
            )  # fmt: skip
        return
    if not rows:
        typer.echo("No users: the pages are open, on this machine only.")
        return
    made = table("name", "role", "since", "state")
    for u in rows:
        state = f"disabled {rfc3339(u.disabled_us)[:10]}" if u.disabled_us is not None else ""
        made.add_row(u.name, u.role.value, rfc3339(u.created_us)[:10], state)
    put_table(console(), made)


@app.command("password", short_help="Give a user another password.")
def password(site: SiteFolder, name: UserName, password_file: PasswordFile = None) -> None:
    """Give a user another password; ends every session of the user and any lockout."""
    with _book(site) as (book, by):
        _known(book, name)
        book.set_password(name, _password(password_file), by)
        typer.echo(f"{name} has a new password and is signed out everywhere.")


@app.command("role", short_help="Change what a user may do.")
def role(
    site: SiteFolder,
    name: UserName,
    role: Annotated[str, typer.Argument(metavar="ROLE", help="viewer, operator, engineer or administrator.")],
) -> None:
    """Change what a user may do, from the next request on."""
    from hissmark.access.roles import role_of

    wanted = role_of(role)
    with _book(site) as (book, by):
        before = book.set_role(name, wanted, by)
        typer.echo(f"{name} is {wanted}, was {before}.")


@app.command("disable", short_help="Shut a user out.")
def disable(
    site: SiteFolder,
    name: UserName,
    undo: Annotated[bool, typer.Option("--undo", help="Let the user in again.")] = False,
) -> None:
    """Shut a user out at once, sessions and tokens included. Nobody is removed: the record names them."""
    with _book(site) as (book, by):
        if undo:
            book.enable(name, by)
        else:
            book.disable(name, by)
        typer.echo(f"{name} may sign in again." if undo else f"{name} is shut out.")


@app.command("audit", short_help="Who did what.")
def audit(
    site: SiteFolder,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="Newest lines to show.")] = 50,
    as_json: AsJson = False,
) -> None:
    """The newest lines of the audit journal, oldest first."""
    from hissmark.cli.output import console, put_json, put_table, table
    from hissmark.publish.times import rfc3339

    with _book(site) as (book, _):
        rows = book.audit(limit=limit)[::-1]
    if as_json:
        for r in rows:
            put_json(
                {"seq": r.seq, "at": rfc3339(r.at_us), "who": r.who, "address": r.address, "event": r.event,
                 "detail": r.detail}
            )  # fmt: skip
        return
    made = table("at", "who", "from", "event", "detail")
    for r in rows:
        made.add_row(rfc3339(r.at_us), r.who, r.address, r.event, r.detail)
    put_table(console(), made)


@token.command("create", short_help="Make a token.")
def create_token(
    site: SiteFolder,
    name: UserName,
    role: Annotated[
        str | None, typer.Option(help="At most the user's own, which is the default.", show_default=False)
    ] = None,
    label: Annotated[str, typer.Option(help="What it is for.")] = "",
    days: Annotated[float, typer.Option(help="How long it lasts.")] = 365.0,
) -> None:
    """Make a token of a user. Prints it alone on stdout, once; it cannot be shown again."""
    from hissmark.access.roles import role_of
    from hissmark.cli.output import note

    wanted = None if role is None else role_of(role)
    with _book(site) as (book, by):
        number, secret = book.create_token(name, label, wanted, days, by)
    typer.echo(secret)
    note(f"Token {number} of {name} for {days:g} days. Send it as: Authorization: Bearer TOKEN")


@token.command("list", short_help="Tokens there are.")
def list_tokens(site: SiteFolder, as_json: AsJson = False) -> None:
    """Every token without its secret: whose, what for, until when, last used."""
    from hissmark.cli.output import console, put_json, put_table, table
    from hissmark.publish.times import rfc3339, rfc3339_or_none

    with _book(site) as (book, _):
        rows, now_us = book.tokens(), book.now_us()
    if as_json:
        for t in rows:
            put_json(
                {"id": t.id, "user": t.user, "label": t.label, "role": t.role.value,
                 "created": rfc3339(t.created_us), "expires": rfc3339(t.expires_us),
                 "revoked": rfc3339_or_none(t.revoked_us), "used": rfc3339_or_none(t.used_us)}
            )  # fmt: skip
        return
    made = table("id", "user", "role", "label", "until", "last used", "state", right=("id",))
    for t in rows:
        over = "expired" if t.expires_us <= now_us else ""
        state = "revoked" if t.revoked_us is not None else over
        used = rfc3339_or_none(t.used_us) or "never"
        made.add_row(str(t.id), t.user, t.role.value, t.label, rfc3339(t.expires_us)[:10], used, state)
    put_table(console(), made)


@token.command("revoke", short_help="End a token.")
def revoke_token(
    site: SiteFolder,
    number: Annotated[int, typer.Argument(metavar="ID", help="Its number, see `token list`.")],
) -> None:
    """End a token before its time."""
    with _book(site) as (book, by):
        ended = book.revoke_token(number, by)
        typer.echo(f"Token {number} of {ended.user} is revoked.")


@contextmanager
def _book(folder: Path) -> Iterator[tuple[Book, Author]]:
    """The users of a site, whether its service runs or not; makes the database of one that has never run."""
    from hissmark.access.audit import Author
    from hissmark.daemon.reach import book_of
    from hissmark.site.load import load_site
    from hissmark.store.open import open_store

    site = load_site(folder)
    engine = open_store(site.store_url, site.folder)
    try:
        yield book_of(site, engine, engine), Author(_account(), "command line")
    finally:
        engine.dispose()


def _account() -> str:
    """The account on this machine that gives the command."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown account"


def _known(book: Book, name: str) -> None:
    names = [user.name for user in book.users()]
    if name not in names:
        listed = ", ".join(names[:20]) or "nobody yet"
        raise CommandError(f"There is no user {name!a}. Users are: {listed}.")


def _password(file: Path | None) -> str:
    """From the file, or asked for twice on the terminal."""
    if file is not None:
        text = sys.stdin.read() if str(file) == "-" else file.read_text("utf-8")
        return text.rstrip("\r\n")
    if not sys.stdin.isatty():
        raise CommandError("There is no terminal to ask for the password. Give --password-file FILE, or -.")
    first = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != first:
        raise CommandError("The two passwords differ. Nothing was changed.")
    return first
