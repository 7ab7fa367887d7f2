"""Secrets of sessions and tokens: handed out once, stored only as their SHA-256.

They are 256 random bits, so a fast hash is enough: there is nothing to guess.
"""

from __future__ import annotations

import hashlib
import secrets

TOKEN_MARK = "hissmark_"  # noqa: S105 - how a token begins, so that scanners for leaked secrets know it


def new_secret() -> str:
    """43 characters that fit a cookie and a header."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """What is stored of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
