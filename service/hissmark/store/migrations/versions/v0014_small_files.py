"""No table changes. From here on files of the archive may have their times in milliseconds, which a former
version would take for microseconds: it finds a revision that it does not know and refuses to start.
"""

from __future__ import annotations

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing: see above."""


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
