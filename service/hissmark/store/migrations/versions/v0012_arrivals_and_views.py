"""What arrived in which order; views for readers with SQL."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from hissmark.store.views import statements

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "arrivals",
        sa.Column("seq", _BIG_KEY, primary_key=True, autoincrement=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("samples", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sqlite_autoincrement=True,
    )
    bind = op.get_bind()
    for statement in statements(bind.dialect.name):
        bind.exec_driver_sql(statement)


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
