"""What a person sees when a command cannot do its work: one message, no traceback, exit code 1."""

from __future__ import annotations

import os
import sys

import typer
from typer.core import TyperGroup

#: Errors whose message is written for people. By name: importing their modules would slow every command.
FOR_PEOPLE = frozenset(
    {
        "hissmark.site.problems.SiteError",
        "hissmark.store.errors.StoreError",
        "hissmark.replay.rows.ReplayError",
        "hissmark.access.errors.AccessError",
        "hissmark.daemon.http.AddressError",
        "hissmark.backup.manifest.BackupError",
        "hissmark.cli.errors.CommandError",
    }
)


class CommandError(Exception):
    """A command cannot do what was asked; the message says why and what to do."""


class Commands(TyperGroup):
    """Runs a command and turns its expected failures into messages."""

    def invoke(self, ctx: typer.Context) -> object:  # type: ignore[override]
        """Run the command. Output that nobody reads any more ends it quietly."""
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError:
            _stop_writing()
            raise typer.Exit(0) from None
        except OSError as error:
            fail(_of_system(error))
        except MemoryError:
            fail("out of memory. Raise what bounds it (ulimit, MemoryMax, the container's limit).")
        except Exception as error:
            if not is_for_people(error):
                raise
            fail(str(error))
        return result


def is_for_people(error: BaseException) -> bool:
    """Whether the message of `error` is meant to be read by whoever gave the command."""
    return any(f"{kind.__module__}.{kind.__qualname__}" in FOR_PEOPLE for kind in type(error).__mro__)


def fail(message: str) -> None:
    """Print `error: message` to stderr and leave with exit code 1."""
    typer.echo(f"error: {message}", err=True)
    raise typer.Exit(1) from None


def _of_system(error: OSError) -> str:
    reason = (error.strerror or str(error) or "the system reported an error").lower()
    return f"{error.filename}: {reason}." if error.filename else f"{reason}."


def _stop_writing() -> None:
    """Point stdout at nothing, so that what is still buffered does not fail once more at exit."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
