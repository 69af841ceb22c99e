"""Checkpoints: fixed tests of a cohort, who sat them, answers, and judges' estimates.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "checkpoint",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("cohort_id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("opens_at", UtcDateTime(), nullable=False),
        sa.Column("closes_at", UtcDateTime(), nullable=False),
        sa.Column("eye_seconds", sa.Integer(), nullable=True),
        sa.Column("released_at", UtcDateTime(), nullable=True),
        sa.Column("pass_percent", sa.Integer(), nullable=True),
        sa.CheckConstraint("closes_at > opens_at", name=op.f("ck_checkpoint_times")),
        sa.CheckConstraint(
            "eye_seconds BETWEEN 10 AND 600", name=op.f("ck_checkpoint_eye_seconds")
        ),
        sa.CheckConstraint(
            "pass_percent BETWEEN 1 AND 100", name=op.f("ck_checkpoint_pass_percent")
        ),
        sa.ForeignKeyConstraint(
            ["cohort_id"],
            ["cohort.id"],
            name=op.f("fk_checkpoint_cohort_id_cohort"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checkpoint")),
    )
    with op.batch_alter_table("checkpoint", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_checkpoint_cohort_id"), ["cohort_id"], unique=False)

    op.create_table(
        "checkpoint_extra",
        sa.Column("checkpoint_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("eye_percent", sa.Integer(), nullable=False),
        sa.Column("more_minutes", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "eye_percent BETWEEN 0 AND 300", name=op.f("ck_checkpoint_extra_eye_percent")
        ),
        sa.CheckConstraint(
            "more_minutes BETWEEN 0 AND 2880", name=op.f("ck_checkpoint_extra_more_minutes")
        ),
        sa.ForeignKeyConstraint(
            ["checkpoint_id"],
            ["checkpoint.id"],
            name=op.f("fk_checkpoint_extra_checkpoint_id_checkpoint"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_checkpoint_extra_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("checkpoint_id", "learner_id", name=op.f("pk_checkpoint_extra")),
    )
    with op.batch_alter_table("checkpoint_extra", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_checkpoint_extra_learner_id"), ["learner_id"], unique=False
        )

    op.create_table(
        "checkpoint_item",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("checkpoint_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column(
            "card_version_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("severity", sa.Double(), nullable=True),
        sa.Column("seed", sa.BigInteger(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("eye_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("dropped_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["card_version_id"],
            ["card_version.id"],
            name=op.f("fk_checkpoint_item_card_version_id_card_version"),
        ),
        sa.ForeignKeyConstraint(
            ["checkpoint_id"],
            ["checkpoint.id"],
            name=op.f("fk_checkpoint_item_checkpoint_id_checkpoint"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(["eye_id"], ["eye.id"], name=op.f("fk_checkpoint_item_eye_id_eye")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checkpoint_item")),
        sa.UniqueConstraint(
            "checkpoint_id", "number", name=op.f("uq_checkpoint_item_checkpoint_id_number")
        ),
        sa.UniqueConstraint("eye_id", name=op.f("uq_checkpoint_item_eye_id")),
    )
    op.create_table(
        "checkpoint_sitting",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("checkpoint_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("began_at", UtcDateTime(), nullable=False),
        sa.Column("finished_at", UtcDateTime(), nullable=True),
        sa.Column("item_order", Json, nullable=False),
        sa.Column("rating", sa.Integer(), nullable=True),
        sa.CheckConstraint("rating BETWEEN 1 AND 5", name=op.f("ck_checkpoint_sitting_rating")),
        sa.ForeignKeyConstraint(
            ["checkpoint_id"],
            ["checkpoint.id"],
            name=op.f("fk_checkpoint_sitting_checkpoint_id_checkpoint"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_checkpoint_sitting_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checkpoint_sitting")),
        sa.UniqueConstraint(
            "checkpoint_id",
            "learner_id",
            name=op.f("uq_checkpoint_sitting_checkpoint_id_learner_id"),
        ),
    )
    with op.batch_alter_table("checkpoint_sitting", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_checkpoint_sitting_learner_id"), ["learner_id"], unique=False
        )

    op.create_table(
        "checkpoint_estimate",
        sa.Column("item_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("judge", sa.String(length=60), nullable=False),
        sa.Column("percent", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "percent BETWEEN 0 AND 100", name=op.f("ck_checkpoint_estimate_percent")
        ),
        sa.ForeignKeyConstraint(
            ["item_id"],
            ["checkpoint_item.id"],
            name=op.f("fk_checkpoint_estimate_item_id_checkpoint_item"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("item_id", "judge", name=op.f("pk_checkpoint_estimate")),
    )
    op.create_table(
        "checkpoint_look",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("sitting_id", sa.Uuid(), nullable=False),
        sa.Column("item_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("shown_at", UtcDateTime(), nullable=False),
        sa.Column("ran_out", sa.Boolean(), nullable=False),
        sa.Column("answer_id", sa.Uuid(), nullable=True),
        sa.Column("answered_at", UtcDateTime(), nullable=True),
        sa.Column("judgements", Json, nullable=True),
        sa.Column("marks", Json, nullable=True),
        sa.Column("certainty", sa.String(length=8), nullable=True),
        sa.Column("response_ms", sa.Integer(), nullable=True),
        sa.Column("hidden_ms", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["item_id"],
            ["checkpoint_item.id"],
            name=op.f("fk_checkpoint_look_item_id_checkpoint_item"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["sitting_id"],
            ["checkpoint_sitting.id"],
            name=op.f("fk_checkpoint_look_sitting_id_checkpoint_sitting"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checkpoint_look")),
        sa.UniqueConstraint("answer_id", name=op.f("uq_checkpoint_look_answer_id")),
        sa.UniqueConstraint(
            "sitting_id", "item_id", name=op.f("uq_checkpoint_look_sitting_id_item_id")
        ),
        sa.UniqueConstraint(
            "sitting_id", "position", name=op.f("uq_checkpoint_look_sitting_id_position")
        ),
    )
    with op.batch_alter_table("checkpoint_look", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_checkpoint_look_item_id"), ["item_id"], unique=False)
