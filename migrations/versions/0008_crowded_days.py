"""What was due besides an answer's card, and how many looks the day held.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.add_column("answer", sa.Column("due_besides", sa.Integer(), nullable=True))
    op.add_column("answer", sa.Column("day_looks", sa.Integer(), nullable=True))
    # The rules until now did not ask.
    op.execute("UPDATE answer SET due_besides = 0, day_looks = 0")
    with op.batch_alter_table("answer") as table:
        table.alter_column("due_besides", existing_type=sa.Integer(), nullable=False)
        table.alter_column("day_looks", existing_type=sa.Integer(), nullable=False)
