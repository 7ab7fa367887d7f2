"""Run by Alembic. `hissmark.store.open` hands over the connection; its caller owns the transaction."""

from __future__ import annotations

from alembic import context

from hissmark.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    version_table=context.config.attributes["version_table"],
    target_metadata=metadata,
)
context.run_migrations()
