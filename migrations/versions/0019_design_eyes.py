"""Eyes that show what a design looks like.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0019"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "design_eye",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("card", Json, nullable=False),
        sa.Column("view", Json, nullable=False),
        sa.Column("seed", sa.BigInteger(), nullable=False),
        sa.Column("severity", sa.Double(), nullable=True),
        sa.Column("size_px", sa.Integer(), nullable=False),
        sa.Column("renderer_version", sa.Integer(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=False),
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("problem", sa.String(length=500), nullable=False),
        sa.Column("objection", sa.String(length=500), nullable=False),
        sa.Column("drawn", Json, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design_eye")),
        sa.UniqueConstraint("name", name=op.f("uq_design_eye_name")),
    )
    op.create_index("ix_design_eye_picture_used_at", "design_eye", ["picture", "used_at"])
