"""JSON Pointer (RFC 6901)."""

from __future__ import annotations

import re
from dataclasses import dataclass

_BAD_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


class MissingError(Exception):
    """The document holds nothing at this pointer."""


@dataclass(frozen=True, slots=True)
class Pointer:
    """A parsed pointer; no tokens: the whole document."""

    tokens: tuple[str, ...]

    @classmethod
    def parse(cls, text: str, field: str = "pointer") -> Pointer:
        """Raises ValueError that says what is wrong, naming the setting `field`."""
        if not text:
            return cls(())
        if not text.startswith("/"):
            raise ValueError(f"{field}: JSON Pointer {text!r} must be empty or begin with '/'")
        if _BAD_ESCAPE.search(text):
            raise ValueError(f"{field}: {text!r}: '~' must be followed by 0 or 1 (~0 is ~, ~1 is /)")
        # RFC 6901, 4: first ~1, then ~0, so that ~01 becomes ~1 and not /.
        return cls(tuple(t.replace("~1", "/").replace("~0", "~") for t in text[1:].split("/")))

    def find(self, document: object) -> object:
        """What the pointer leads to. Raises MissingError if there is nothing."""
        here = document
        for token in self.tokens:
            if isinstance(here, dict) and token in here:
                here = here[token]
            elif isinstance(here, list) and _INDEX.fullmatch(token) and int(token) < len(here):
                here = here[int(token)]
            else:
                raise MissingError(token)
        return here
