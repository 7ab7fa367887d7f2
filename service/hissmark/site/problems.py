"""What is wrong with a site folder, said so that the person who wrote it can put it right."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """An error keeps the site from starting; a warning does not."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right.

    Attributes:
        file: name of the file inside the site folder.
        line: line in that file as an editor counts (from 1); None when the whole file is meant.
        field: the setting (``mqtt.port``) or the column (``position``); empty when none is to blame.
        message: what is wrong.
        fix: what to do about it.
    """

    file: str
    line: int | None
    field: str
    message: str
    fix: str = ""
    severity: Severity = Severity.ERROR

    @property
    def where(self) -> str:
        """``register.csv:7`` or, for a whole file, ``register.csv``."""
        return self.file if self.line is None else f"{self.file}:{self.line}"

    def __str__(self) -> str:
        field = f" {self.field}:" if self.field else ""
        fix = f" {self.fix}" if self.fix else ""
        return f"{self.where}:{field} {self.message}{fix}"


class SiteError(Exception):
    """The site cannot be used; `problems` has every reason."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(self._text())

    def _text(self) -> str:
        errors = [p for p in self.problems if p.severity is Severity.ERROR] or list(self.problems)
        if len(errors) == 1:
            return str(errors[0])
        lines = "\n".join(f"  {p}" for p in errors)
        return f"the site has {len(errors)} problems:\n{lines}"


class Findings:
    """Collects the problems of one file; nothing stops at the first."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def error(self, line: int | None, field: str, message: str, fix: str = "") -> None:
        self.problems.append(Problem(self.file, line, field, message, fix))

    def warning(self, line: int | None, field: str, message: str, fix: str = "") -> None:
        self.problems.append(Problem(self.file, line, field, message, fix, Severity.WARNING))


def errors_of(problems: Iterable[Problem]) -> list[Problem]:
    """Only the problems that keep the site from starting."""
    return [p for p in problems if p.severity is Severity.ERROR]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """``Did you mean 'port'?`` when something known is close to `word`, else an empty string."""
    by_lower = {k.lower(): k for k in known}
    near = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.6)
    return f"Did you mean {by_lower[near[0]]!r}?" if near else ""
