"""The weekly summary of a cohort by mail: who wants it, and its letters.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # On a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.add_column("cohort_lead", sa.Column("summary_since", UtcDateTime(), nullable=True))
    with op.batch_alter_table("letter") as table:
        table.add_column(sa.Column("cohort_id", sa.Uuid(), nullable=True))
        table.create_foreign_key(
            op.f("fk_letter_cohort_id_cohort"), "cohort", ["cohort_id"], ["id"], ondelete="CASCADE"
        )
        table.create_unique_constraint(
            op.f("uq_letter_learner_id_cohort_id_day"), ["learner_id", "cohort_id", "day"]
        )
        table.drop_constraint(op.f("ck_letter_kind"), type_="check")
        table.create_check_constraint(
            op.f("ck_letter_kind"), "kind IN ('confirm', 'reminder', 'summary')"
        )
    op.create_index(op.f("ix_letter_cohort_id"), "letter", ["cohort_id"], unique=False)
