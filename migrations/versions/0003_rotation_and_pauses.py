"""A learner's rotation date, minutes a day, and pauses.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "pause",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.CheckConstraint("last_on >= first_on", name=op.f("ck_pause_order")),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_pause_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "first_on", name=op.f("pk_pause")),
    )
    op.add_column("learner", sa.Column("rotation_on", sa.Date(), nullable=True))
    op.add_column("learner", sa.Column("daily_minutes", sa.Integer(), nullable=True))
    # Who has practised so far meant to do one round a day.
    op.execute("UPDATE learner SET daily_minutes = round_minutes")
    with op.batch_alter_table("learner") as table:
        table.alter_column("daily_minutes", existing_type=sa.Integer(), nullable=False)
        table.create_check_constraint(
            op.f("ck_learner_daily_minutes"), "daily_minutes BETWEEN 2 AND 60"
        )
