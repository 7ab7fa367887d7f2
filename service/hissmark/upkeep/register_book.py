"""The register of one site as people change it: looked at, put in force, on record, taken back.

What stands in register.csv and what is on record go together like this:

1. The new file is written beside the old one and made durable.
2. The version goes on record (who, why, the whole text): from here on it will come into force.
3. The file takes its place.
4. The service takes the register over between two ticks and, in one transaction, saves its state under the
   new register and notes that the version is in force. It writes the file first if step 3 was cut short.

Whatever is interrupted: at the next start nothing has happened, or the service goes on at the next step.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from hissmark.engine.register import Register
from hissmark.site.candidate import Candidate, digest_of_file, examine_table, examine_text, register_of
from hissmark.site.load import REGISTER_FILE
from hissmark.site.problems import Problem, Severity
from hissmark.site.register_file import prepared, put_in_place
from hissmark.site.register_text import digest_of
from hissmark.store import registers
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.outcomes import outcome_of
from hissmark.store.registers import How, NewVersion, RegisterVersion
from hissmark.store.whereabouts import InForce, Stay, stays


class CandidateError(ValueError):
    """A register that has errors, or changes nothing, cannot be put in force; the message says which."""


@dataclass(frozen=True, slots=True)
class Author:
    """Who changes the register, and why."""

    operator: str
    comment: str


class RegisterBook:
    """The register and its versions. `writing` is None where nothing may be changed."""

    def __init__(self, folder: Path, reading: sa.Engine, writing: sa.Engine | None = None) -> None:
        self.folder = folder
        self._reading, self._writing = reading, writing
        self._stays: tuple[int, list[Stay]] = (-1, [])

    # What is on record.

    def in_force(self) -> RegisterVersion | None:
        """The version in force; None before the service has run."""
        with self._page() as connection:
            return registers.in_force(connection)

    def waiting(self) -> RegisterVersion | None:
        """The version that is to come into force, None if none is."""
        with self._page() as connection:
            return registers.waiting(connection)

    def version(self, number: int) -> RegisterVersion | None:
        """One version; None if there is none of that number."""
        with self._page() as connection:
            return registers.read(connection, number)

    def versions(self, *, before_id: int | None = None, limit: int = 50) -> list[RegisterVersion]:
        """Newest first."""
        with self._page() as connection:
            return registers.read_page(connection, before_id, limit)

    def all_in_force(self) -> list[RegisterVersion]:
        """Every version that was in force, oldest first."""
        with self._page() as connection:
            return registers.all_in_force(connection)

    def stays(self) -> list[Stay]:
        """Which sensor listened to which valve since ever; empty before the service has run."""
        present = self.in_force()
        number = present.id if present else -1
        if self._stays[0] != number:
            versions = [
                InForce(register_of(v.text), v.applied_after_us, v.applied_us or 0)
                for v in self.all_in_force()
            ]
            self._stays = (number, stays(versions))
        return self._stays[1]

    # What somebody wants.

    def look_at(self, present: Register, raw: bytes, file: str) -> Candidate:
        """A CSV as anybody may have saved it, against the register in force."""
        return self._told_of_edits(examine_table(self.folder, present, raw, file))

    def look_at_text(self, present: Register, text: str) -> Candidate:
        """The same for text of our own (rows added, a sensor moved, a version of before)."""
        return self._told_of_edits(examine_text(self.folder, present, text))

    def put_in_force(self, candidate: Candidate, how: How, author: Author, now_us: int) -> int:
        """Ask the service to take a register over; returns the version's number. See above.

        Raises CandidateError if it may not be, RegisterBusyError if the register has changed meanwhile,
        SiteError if register.csv cannot be written (nothing has happened then), StoreError.
        """
        if candidate.register is None:
            raise CandidateError("The table has errors: put them right first.")
        if not candidate.changes:
            raise CandidateError("The table says what the register says already: nothing would change.")
        if self._writing is None:
            raise CandidateError("Here the register can only be looked at.")
        present = self.in_force()
        if present is not None and present.digest != candidate.base:
            raise registers.RegisterBusyError(
                f"The register has changed meanwhile: version {present.id}. Look at the differences again."
            )
        wanted = NewVersion(
            author.operator, author.comment, how, candidate.text, digest_of(candidate.register),
            present.id if present else None,
        )  # fmt: skip
        with prepared(self.folder, candidate.text) as beside:
            number = registers.ask_for(self._writing, wanted, now_us)
            put_in_place(self.folder, beside)
        return number

    def wait_for(self, number: int, for_s: float) -> RegisterVersion:
        """The version once it has an outcome, or as it stands when the time is up."""
        found = outcome_of(self.version, number, for_s) or self.version(number)
        if found is None:
            raise LookupError(f"there is no version {number}")
        return found

    def _told_of_edits(self, candidate: Candidate) -> Candidate:
        """Say so if register.csv was edited by hand and that is not in force: it would be replaced."""
        present = self.in_force()
        if present is None or digest_of_file(self.folder) in (present.digest, None):
            return candidate
        message = "was edited by hand and is not in force; putting this table in force replaces the edits."
        fix = f"To keep them import {REGISTER_FILE} itself first, or restart the service."
        candidate.problems.insert(0, Problem(REGISTER_FILE, None, "", message, fix, Severity.WARNING))
        return candidate

    @contextmanager
    def _page(self) -> Iterator[sa.Connection]:
        with in_words(place_of(self._reading.url)), self._reading.begin() as connection:
            yield connection
