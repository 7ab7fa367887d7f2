"""An empty store."""

from support.stores import sqlite_store

__all__ = ["sqlite_store"]
