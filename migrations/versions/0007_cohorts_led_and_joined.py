"""Cohorts with their goals, cards and ways to join; who was appointed to lead.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import secrets

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "cohort_place",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("cohort_id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("name_key", sa.String(length=120), nullable=False),
        sa.Column("group_name", sa.String(length=40), nullable=False),
        sa.Column("code", sa.String(length=16), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(
            ["cohort_id"],
            ["cohort.id"],
            name=op.f("fk_cohort_place_cohort_id_cohort"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_cohort_place_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cohort_place")),
        sa.UniqueConstraint("code", name=op.f("uq_cohort_place_code")),
    )
    with op.batch_alter_table("cohort_place", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_cohort_place_learner_id"), ["learner_id"], unique=False
        )
        batch_op.create_index("uq_cohort_place_name", ["cohort_id", "name_key"], unique=True)

    with op.batch_alter_table("account", schema=None) as batch_op:
        batch_op.add_column(sa.Column("lead", sa.Boolean(), nullable=False, server_default="0"))

    with op.batch_alter_table("audit_event", schema=None) as batch_op:
        batch_op.add_column(sa.Column("cohort_id", sa.Uuid(), nullable=True))
        batch_op.create_index(batch_op.f("ix_audit_event_cohort_id"), ["cohort_id"], unique=False)
        batch_op.create_foreign_key(
            batch_op.f("fk_audit_event_cohort_id_cohort"),
            "cohort",
            ["cohort_id"],
            ["id"],
            ondelete="SET NULL",
        )

    with op.batch_alter_table("cohort", schema=None) as batch_op:
        batch_op.add_column(sa.Column("join_code", sa.String(length=16), nullable=True))
        batch_op.add_column(sa.Column("rotation_on", sa.Date(), nullable=True))
        batch_op.add_column(sa.Column("weekly_goal_days", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("standards", Json, nullable=False, server_default="{}"))
        batch_op.add_column(sa.Column("left_out", Json, nullable=False, server_default="[]"))
        batch_op.add_column(sa.Column("invented", sa.Boolean(), nullable=False, server_default="0"))
    _give_codes()
    with op.batch_alter_table("cohort_member", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("group_name", sa.String(length=40), nullable=False, server_default="")
        )

    # The program says every value itself: the defaults were for the rows that were there.
    with op.batch_alter_table("account", schema=None) as batch_op:
        batch_op.alter_column("lead", server_default=None)
    with op.batch_alter_table("cohort", schema=None) as batch_op:
        for name in ("standards", "left_out", "invented"):
            batch_op.alter_column(name, server_default=None)
        batch_op.alter_column("join_code", existing_type=sa.String(length=16), nullable=False)
        batch_op.create_unique_constraint(batch_op.f("uq_cohort_join_code"), ["join_code"])
        batch_op.create_check_constraint(
            op.f("ck_cohort_weekly_goal_days"), "weekly_goal_days BETWEEN 1 AND 7"
        )
    with op.batch_alter_table("cohort_member", schema=None) as batch_op:
        batch_op.alter_column("group_name", server_default=None)


def _give_codes() -> None:
    """Give each cohort that was there a way to join."""
    connection = op.get_bind()
    cohort = sa.table("cohort", sa.column("id", sa.Uuid()), sa.column("join_code", sa.String()))
    for found in connection.execute(sa.select(cohort.c.id)).scalars().all():
        code = "".join(secrets.choice("23456789ABCDEFGHJKMNPQRSTVWXYZ") for _ in range(8))
        connection.execute(cohort.update().where(cohort.c.id == found).values(join_code=code))
