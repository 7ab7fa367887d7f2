"""Changes to the computation beside the actions on alarms; losses that were reset become such changes."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ASKED, _DONE = "losses-reset asked ", "losses-reset done "


def upgrade() -> None:
    op.add_column("actions", sa.Column("payload", sa.Text, nullable=True))
    op.create_index("actions_by_kind", "actions", ["action", "id"])
    _move_resets(op.get_bind())


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")


def _move_resets(connection: sa.Connection) -> None:
    """Requests to forget losses were rows of `meta`; those already done keep no time to be done again at."""
    meta = sa.table("meta", sa.column("key", sa.Text), sa.column("value", sa.Text))
    names = ("requested_us", "operator", "action", "valve", "alarm", "comment", "outcome")
    actions = sa.table("actions", *(sa.column(name) for name in names))
    for start, outcome in ((_DONE, "applied"), (_ASKED, None)):
        mine = meta.c.key.startswith(start)
        for (value,) in connection.execute(sa.select(meta.c.value).where(mine).order_by(meta.c.key)).all():
            asked = json.loads(value)
            connection.execute(
                sa.insert(actions).values(
                    requested_us=asked["asked_us"], operator=asked["operator"], action="losses-reset",
                    valve=asked["group"], alarm="", comment=asked["comment"], outcome=outcome,
                )
            )  # fmt: skip
        connection.execute(sa.delete(meta).where(mine))
