"""The secret that a cohort's pseudonyms are made with.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # On a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.add_column("cohort", sa.Column("pseudonym_secret", sa.String(length=64), nullable=True))
