"""Second factors, their recovery codes, and by how many factors a session was opened.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "second_factor",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("totp_secret", sa.String(length=64), nullable=False),
        sa.Column("last_step", sa.BigInteger(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_second_factor_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", name=op.f("pk_second_factor")),
    )
    op.create_table(
        "recovery_code",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("code_hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["second_factor.learner_id"],
            name=op.f("fk_recovery_code_learner_id_second_factor"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "code_hash", name=op.f("pk_recovery_code")),
    )
    with op.batch_alter_table("web_session", schema=None) as batch_op:
        # Sessions of before were opened by who knows what: they count as opened by one.
        batch_op.add_column(sa.Column("by_two", sa.Boolean(), nullable=False, server_default="0"))
    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.alter_column("by_two", server_default=None)
