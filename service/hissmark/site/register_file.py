"""Writing register.csv: the whole file or nothing of it, also when the power goes in the middle."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from hissmark.site.load import REGISTER_FILE
from hissmark.site.problems import Problem, SiteError


@contextmanager
def prepared(folder: Path, text: str) -> Iterator[Path]:
    """The new file, written and safe on the disk, not yet in its place: pass it to `put_in_place`.

    Raises SiteError where the folder may not be written: then nothing has happened.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=".register-", suffix=".csv", dir=folder)
    except OSError as error:
        raise _cannot(folder, error) from None
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileNotFoundError):
            shutil.copymode(folder / REGISTER_FILE, beside)
        yield beside
    except OSError as error:
        raise _cannot(folder, error) from None
    finally:
        beside.unlink(missing_ok=True)


def put_in_place(folder: Path, beside: Path) -> None:
    """Replace register.csv by the file beside it; durable when this returns."""
    beside.replace(folder / REGISTER_FILE)
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_register(folder: Path, text: str) -> None:
    """Write register.csv in one step. Raises SiteError if the folder may not be written."""
    with prepared(folder, text) as beside:
        put_in_place(folder, beside)


def _cannot(folder: Path, error: OSError) -> SiteError:
    reason = (error.strerror or "unknown reason").lower()
    message = f"cannot be replaced in {folder}: {reason}."
    fix = "Let the user that runs hissmark write there, or change the file where your deployment keeps it."
    return SiteError([Problem(REGISTER_FILE, None, "", message, fix)])
