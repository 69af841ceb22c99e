"""Drafts of cards, the photographs brought in for them, and what was done when.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

OPEN = sa.text("state IN ('draft', 'review', 'changes')")


def upgrade() -> None:
    op.create_table(
        "card_draft",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("content", Json, nullable=False),
        sa.Column("changed_at", UtcDateTime(), nullable=False),
        sa.Column("changed_by", sa.Uuid(), nullable=True),
        sa.CheckConstraint(
            "state IN ('draft', 'review', 'changes', 'published', 'dropped')",
            name=op.f("ck_card_draft_state"),
        ),
        sa.ForeignKeyConstraint(
            ["changed_by"],
            ["learner.id"],
            name=op.f("fk_card_draft_changed_by_learner"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card_draft")),
    )
    op.create_index(op.f("ix_card_draft_changed_by"), "card_draft", ["changed_by"])
    op.create_index(
        "uq_card_draft_open",
        "card_draft",
        ["card_id"],
        unique=True,
        sqlite_where=OPEN,
        postgresql_where=OPEN,
    )
    op.create_table(
        "card_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("draft_id", sa.Uuid(), nullable=True),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("act", sa.String(length=24), nullable=False),
        sa.Column("actor_id", sa.Uuid(), nullable=True),
        sa.Column("remark", sa.String(length=2000), nullable=False),
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("x", sa.Integer(), nullable=True),
        sa.Column("y", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["draft_id"],
            ["card_draft.id"],
            name=op.f("fk_card_event_draft_id_card_draft"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["actor_id"],
            ["learner.id"],
            name=op.f("fk_card_event_actor_id_learner"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card_event")),
    )
    op.create_index("ix_card_event_card_id_id", "card_event", ["card_id", "id"])
    op.create_index(op.f("ix_card_event_draft_id"), "card_event", ["draft_id"])
    op.create_index(op.f("ix_card_event_actor_id"), "card_event", ["actor_id"])
    op.create_table(
        "photograph",
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("original", sa.String(length=64), nullable=False),
        sa.Column("likeness", sa.String(length=256), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("size_px", sa.Integer(), nullable=False),
        sa.Column("added_by", sa.Uuid(), nullable=True),
        sa.Column("added_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["added_by"],
            ["learner.id"],
            name=op.f("fk_photograph_added_by_learner"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("picture", name=op.f("pk_photograph")),
    )
    op.create_index(op.f("ix_photograph_original"), "photograph", ["original"])
    op.create_index(op.f("ix_photograph_added_by"), "photograph", ["added_by"])
