"""Sign-in at the school's provider: identities, half-done sign-ins, accounts without a password.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0017"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "pending_sign_in",
        sa.Column("key_hash", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=True),
        sa.Column("subject", sa.String(length=255), nullable=True),
        sa.Column("shown_at", UtcDateTime(), nullable=True),
        sa.Column("then", sa.String(length=200), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_pending_sign_in_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("key_hash", name=op.f("pk_pending_sign_in")),
    )
    with op.batch_alter_table("pending_sign_in", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_pending_sign_in_created_at"), ["created_at"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_pending_sign_in_learner_id"), ["learner_id"], unique=False
        )

    op.create_table(
        "provider_identity",
        sa.Column("issuer", sa.String(length=255), nullable=False),
        sa.Column("subject", sa.String(length=255), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("linked_at", UtcDateTime(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_provider_identity_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("issuer", "subject", name=op.f("pk_provider_identity")),
        sa.UniqueConstraint(
            "learner_id", "issuer", name=op.f("uq_provider_identity_learner_id_issuer")
        ),
    )
    with op.batch_alter_table("account", schema=None) as batch_op:
        batch_op.alter_column("password_hash", existing_type=sa.String(length=200), nullable=True)
        batch_op.alter_column("password_set_at", existing_type=UtcDateTime(), nullable=True)
