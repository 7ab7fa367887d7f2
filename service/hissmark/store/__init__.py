"""The store: what is on record, in SQLite or PostgreSQL. One process writes, any number read."""

from hissmark.store.errors import StoreError
from hissmark.store.open import open_for_actions, open_for_reading, open_store, resolve_url
from hissmark.store.records import Limits
from hissmark.store.writer import Transaction, Writer

__all__ = [
    "Limits",
    "StoreError",
    "Transaction",
    "Writer",
    "open_for_actions",
    "open_for_reading",
    "open_store",
    "resolve_url",
]
