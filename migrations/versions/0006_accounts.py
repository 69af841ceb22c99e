"""Accounts, passkeys, one-time links, cohorts and the audit trail; what a session remembers.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "cohort",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("archived_at", UtcDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cohort")),
    )
    op.create_table(
        "sign_in_attempt",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("name_hash", sa.String(length=64), nullable=False),
        sa.Column("address_hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_attempt")),
    )
    with op.batch_alter_table("sign_in_attempt", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_sign_in_attempt_address_hash"), ["address_hash"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_sign_in_attempt_made_at"), ["made_at"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_sign_in_attempt_name_hash"), ["name_hash"], unique=False
        )

    op.create_table(
        "account",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("sign_in_name", sa.String(length=40), nullable=False),
        sa.Column("sign_in_key", sa.String(length=120), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=False),
        sa.Column("password_set_at", UtcDateTime(), nullable=False),
        sa.Column("administrator", sa.Boolean(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_account_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", name=op.f("pk_account")),
        sa.UniqueConstraint("sign_in_key", name=op.f("uq_account_sign_in_key")),
    )
    op.create_table(
        "audit_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("act", sa.String(length=40), nullable=False),
        sa.Column("actor_id", sa.Uuid(), nullable=True),
        sa.Column("by_command", sa.Boolean(), nullable=False),
        sa.Column("subject_id", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(
            ["actor_id"],
            ["learner.id"],
            name=op.f("fk_audit_event_actor_id_learner"),
            ondelete="SET NULL",
        ),
        sa.ForeignKeyConstraint(
            ["subject_id"],
            ["learner.id"],
            name=op.f("fk_audit_event_subject_id_learner"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_event")),
    )
    with op.batch_alter_table("audit_event", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_event_actor_id"), ["actor_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_audit_event_at"), ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_audit_event_subject_id"), ["subject_id"], unique=False)

    op.create_table(
        "cohort_lead",
        sa.Column("cohort_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("since", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["cohort_id"],
            ["cohort.id"],
            name=op.f("fk_cohort_lead_cohort_id_cohort"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_cohort_lead_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("cohort_id", "learner_id", name=op.f("pk_cohort_lead")),
    )
    with op.batch_alter_table("cohort_lead", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_cohort_lead_learner_id"), ["learner_id"], unique=False)

    op.create_table(
        "cohort_member",
        sa.Column("cohort_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("joined_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["cohort_id"],
            ["cohort.id"],
            name=op.f("fk_cohort_member_cohort_id_cohort"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_cohort_member_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("cohort_id", "learner_id", name=op.f("pk_cohort_member")),
    )
    with op.batch_alter_table("cohort_member", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_cohort_member_learner_id"), ["learner_id"], unique=False
        )

    op.create_table(
        "one_time_link",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=True),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("expires_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_one_time_link_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_one_time_link")),
    )
    with op.batch_alter_table("one_time_link", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_one_time_link_learner_id"), ["learner_id"], unique=False
        )

    op.create_table(
        "passkey",
        sa.Column("credential_id", sa.String(length=1400), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("public_key", sa.LargeBinary(), nullable=False),
        sa.Column("sign_count", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_passkey_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("credential_id", name=op.f("pk_passkey")),
    )
    with op.batch_alter_table("passkey", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_passkey_learner_id"), ["learner_id"], unique=False)

    op.create_table(
        "passkey_challenge",
        sa.Column("challenge_hash", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=True),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_passkey_challenge_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("challenge_hash", name=op.f("pk_passkey_challenge")),
    )
    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.add_column(sa.Column("device", sa.String(length=60), nullable=True))
        batch_op.add_column(sa.Column("confirmed_at", UtcDateTime(), nullable=True))
        batch_op.add_column(sa.Column("guest_id", sa.Uuid(), nullable=True))
        batch_op.create_index(batch_op.f("ix_web_session_guest_id"), ["guest_id"], unique=False)
        batch_op.create_foreign_key(
            batch_op.f("fk_web_session_guest_id_learner"),
            "learner",
            ["guest_id"],
            ["id"],
            ondelete="SET NULL",
        )
