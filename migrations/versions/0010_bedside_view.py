"""The bedside view in rounds: wide eyes, the stage of a look, and what was looked at.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "wide_eye",
        sa.Column("eye_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("size_px", sa.Integer(), nullable=False),
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("twin", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("truth", Json, nullable=False),
        sa.Column("outlines", Json, nullable=False),
        sa.Column("cells", Json, nullable=False),
        sa.ForeignKeyConstraint(
            ["eye_id"], ["eye.id"], name=op.f("fk_wide_eye_eye_id_eye"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("eye_id", name=op.f("pk_wide_eye")),
    )
    op.create_table(
        "examination",
        sa.Column("answer_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=True),
        sa.Column("refused", sa.String(length=300), nullable=False),
        sa.Column("duration_ms", sa.Integer(), nullable=True),
        sa.Column("seen_share", sa.Double(), nullable=True),
        sa.Column("disc_first", sa.Boolean(), nullable=True),
        sa.Column("macula_last", sa.Boolean(), nullable=True),
        sa.Column("in_order", sa.Double(), nullable=True),
        sa.Column("complete", sa.Boolean(), nullable=True),
        sa.Column("regions", Json, nullable=False),
        sa.Column("misses", Json, nullable=False),
        sa.ForeignKeyConstraint(
            ["answer_id"],
            ["answer.id"],
            name=op.f("fk_examination_answer_id_answer"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_examination_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("answer_id", name=op.f("pk_examination")),
    )
    op.create_index(
        "ix_examination_learner_id_ordinal", "examination", ["learner_id", "ordinal"], unique=False
    )
    op.add_column("look", sa.Column("stage", sa.Integer(), nullable=True))
    op.add_column("look", sa.Column("conditions", Json, nullable=True))
    op.add_column("round_item", sa.Column("stage", sa.Integer(), nullable=True))
    op.add_column("learner", sa.Column("bedside", sa.String(length=6), nullable=True))
    op.execute(sa.table("learner", sa.column("bedside")).update().values(bedside="moving"))
    with op.batch_alter_table("learner") as table:
        table.alter_column("bedside", existing_type=sa.String(length=6), nullable=False)
        table.create_check_constraint(
            op.f("ck_learner_bedside"), "bedside IN ('moving', 'still', 'off')"
        )
    op.add_column("eye_wish", sa.Column("wide", sa.Boolean(), nullable=True))
    op.execute(sa.table("eye_wish", sa.column("wide")).update().values(wide=False))
    with op.batch_alter_table("eye_wish") as table:
        table.alter_column("wide", existing_type=sa.Boolean(), nullable=False)
