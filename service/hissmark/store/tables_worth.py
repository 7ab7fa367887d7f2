"""Tables of measured leaks and of what is assumed when a leak is valued. Both append-only.

Times are int64 microseconds since 1970 UTC.
"""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.schema import BigKey, metadata

# A measured leak and the level at that time; `kind` is point or withdrawn. A row that `supersedes` another
# takes its place. `typed` is what was typed, as JSON; the columns beside it are what was made of it, in SI.
calibrations = sa.Table(
    "calibrations",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("author", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("supersedes", sa.BigInteger),
    sa.Column("valve", sa.Text, nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("typed", sa.Text, nullable=False),
    sa.Column("medium", sa.Text, nullable=False),
    sa.Column("level_db", sa.Double, nullable=False),
    sa.Column("level_sd_db", sa.Double, nullable=False),
    sa.Column("rate_kg_s", sa.Double, nullable=False),
    sa.Column("sd_decades", sa.Double, nullable=False),
    sa.Column("upstream_pa", sa.Double),
    sa.Column("downstream_pa", sa.Double),
    sa.Column("temperature_k", sa.Double),
    sa.Column("steps", sa.Text, nullable=False),
    sa.Index("calibrations_by_valve", "valve", "id"),
    sqlite_autoincrement=True,
)

# One assumption as it was typed, of one valve or (NULL) of the site. The newest of its name counts; an
# empty text takes it back.
assumptions = sa.Table(
    "assumptions",
    metadata,
    sa.Column("id", BigKey, primary_key=True, autoincrement=True),
    sa.Column("recorded_us", sa.BigInteger, nullable=False),
    sa.Column("author", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("valve", sa.Text),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Index("assumptions_by_name", "name", "id"),
    sqlite_autoincrement=True,
)
