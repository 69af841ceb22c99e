"""The gallery: pictures drawn for reviewers, and their remarks.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "gallery_plate",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("number", sa.String(length=120), nullable=False),
        sa.Column("strip", sa.String(length=120), nullable=False),
        sa.Column("size_px", sa.Integer(), nullable=False),
        sa.Column("renderer_version", sa.Integer(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=False),
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("twin", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("problem", sa.String(length=500), nullable=False),
        sa.Column("truth", Json, nullable=False),
        sa.Column("outlines", Json, nullable=False),
        sa.Column("facts", Json, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gallery_plate")),
        sa.UniqueConstraint("number", "size_px", name=op.f("uq_gallery_plate_number_size_px")),
    )
    op.create_index(
        "ix_gallery_plate_picture_used_at", "gallery_plate", ["picture", "used_at"], unique=False
    )
    op.create_table(
        "gallery_remark",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.String(length=120), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("text", sa.String(length=2000), nullable=False),
        sa.Column("written_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_gallery_remark_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gallery_remark")),
    )
    op.create_index(
        "ix_gallery_remark_learner_id_number",
        "gallery_remark",
        ["learner_id", "number"],
        unique=False,
    )
