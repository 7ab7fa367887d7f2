"""An empty store."""

from store.conftest import sqlite_store

__all__ = ["sqlite_store"]
