"""Cards that show photographs, and cards that a school made.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.add_column("card", sa.Column("source", sa.String(length=12), nullable=True))
    op.add_column("card", sa.Column("origin", sa.String(length=8), nullable=True))
    card = sa.table("card", sa.column("source"), sa.column("origin"))
    op.execute(card.update().values(source="rendered", origin="shipped"))
    with op.batch_alter_table("card") as table:
        table.alter_column("source", existing_type=sa.String(length=12), nullable=False)
        table.alter_column("origin", existing_type=sa.String(length=8), nullable=False)
        table.create_check_constraint(
            op.f("ck_card_source"), "source IN ('rendered', 'photograph')"
        )
        table.create_check_constraint(op.f("ck_card_origin"), "origin IN ('shipped', 'school')")
