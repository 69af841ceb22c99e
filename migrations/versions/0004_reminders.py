"""Reminders: the time set aside, the calendar feed, the mail address and letters.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "calendar_feed",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("changed_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_calendar_feed_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", name=op.f("pk_calendar_feed")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_calendar_feed_token_hash")),
    )
    op.create_table(
        "letter",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("address_id", sa.Uuid(), nullable=False),
        sa.Column("to_hash", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=True),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_at", UtcDateTime(), nullable=True),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("settled_at", UtcDateTime(), nullable=True),
        sa.Column("problem", sa.String(length=300), nullable=False),
        sa.CheckConstraint("kind IN ('confirm', 'reminder')", name=op.f("ck_letter_kind")),
        sa.CheckConstraint(
            "state IN ('waiting', 'claimed', 'handing-over', 'sent', 'refused', 'unknown', "
            "'dropped')",
            name=op.f("ck_letter_state"),
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_letter_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_letter")),
        sa.UniqueConstraint(
            "learner_id", "kind", "day", "number", name=op.f("uq_letter_learner_id_kind_day_number")
        ),
        sa.UniqueConstraint("token_hash", name=op.f("uq_letter_token_hash")),
    )
    op.create_index("ix_letter_state_next_at", "letter", ["state", "next_at"], unique=False)
    op.create_index("ix_letter_to_hash_made_at", "letter", ["to_hash", "made_at"], unique=False)

    op.create_table(
        "mail_address",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("address", sa.String(length=254), nullable=False),
        sa.Column("given_at", UtcDateTime(), nullable=False),
        sa.Column("confirmed_at", UtcDateTime(), nullable=True),
        sa.Column("problem", sa.String(length=300), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_mail_address_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mail_address")),
        sa.UniqueConstraint("learner_id", name=op.f("uq_mail_address_learner_id")),
    )
    op.create_table(
        "practice_slot",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("minute_of_day", sa.Integer(), nullable=False),
        sa.Column("weekdays", sa.String(length=7), nullable=False),
        sa.Column("alarm", sa.Boolean(), nullable=False),
        sa.Column("set_on", sa.Date(), nullable=False),
        sa.CheckConstraint(
            "minute_of_day BETWEEN 0 AND 1439", name=op.f("ck_practice_slot_minute_of_day")
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_practice_slot_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", name=op.f("pk_practice_slot")),
    )
