"""The first tables: learners, cards, eyes, rounds, looks and answers.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "card",
        sa.Column("id", sa.String(length=80), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("finding", sa.String(length=32), nullable=True),
        sa.Column("mimics", sa.String(length=32), nullable=True),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card")),
    )
    op.create_index("ix_card_order", "card", ["retired", "position"], unique=False)

    op.create_table(
        "learner",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("timezone", sa.String(length=64), nullable=False),
        sa.Column("round_minutes", sa.Integer(), nullable=False),
        sa.Column("weekly_goal_days", sa.Integer(), nullable=False),
        sa.Column("untimed", sa.Boolean(), nullable=False),
        sa.Column("first_run_seen", sa.Boolean(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        sa.Column("answers", sa.Integer(), nullable=False),
        sa.CheckConstraint("round_minutes BETWEEN 2 AND 15", name=op.f("ck_learner_round_minutes")),
        sa.CheckConstraint(
            "weekly_goal_days BETWEEN 1 AND 7", name=op.f("ck_learner_weekly_goal_days")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learner")),
    )
    op.create_table(
        "card_state",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("easiness", sa.Integer(), nullable=False),
        sa.Column("repetition", sa.Integer(), nullable=False),
        sa.Column("interval_days", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("lapses", sa.Integer(), nullable=False),
        sa.Column("seen_on", sa.Date(), nullable=False),
        sa.Column("owes_repeat_on", sa.Date(), nullable=True),
        sa.Column("last_outcome", sa.String(length=8), nullable=False),
        sa.Column("last_sure", sa.Boolean(), nullable=False),
        sa.Column("confusions", sa.Integer(), nullable=False),
        sa.CheckConstraint("easiness >= 130", name=op.f("ck_card_state_easiness")),
        sa.CheckConstraint("interval_days >= 1", name=op.f("ck_card_state_interval_days")),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_card_state_card_id_card")),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_card_state_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "card_id", name=op.f("pk_card_state")),
    )
    op.create_index("ix_card_state_due", "card_state", ["learner_id", "due_on"], unique=False)

    op.create_table(
        "card_version",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("recipe_hash", sa.String(length=64), nullable=False),
        sa.Column("content", Json, nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_id"], ["card.id"], name=op.f("fk_card_version_card_id_card")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card_version")),
        sa.UniqueConstraint(
            "card_id", "content_hash", name=op.f("uq_card_version_card_id_content_hash")
        ),
    )
    op.create_table(
        "draw_tally",
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("recipe_hash", sa.String(length=64), nullable=False),
        sa.Column("renderer_version", sa.Integer(), nullable=False),
        sa.Column("kept", sa.Integer(), nullable=False),
        sa.Column("rejected", sa.Integer(), nullable=False),
        sa.Column("failed", sa.Integer(), nullable=False),
        sa.Column("failures_running", sa.Integer(), nullable=False),
        sa.Column("last_problem", sa.String(length=500), nullable=False),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_draw_tally_card_id_card")),
        sa.PrimaryKeyConstraint(
            "card_id", "recipe_hash", "renderer_version", name=op.f("pk_draw_tally")
        ),
    )
    op.create_table(
        "eye",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("recipe_hash", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=12), nullable=False),
        sa.Column("seed", sa.BigInteger(), nullable=False),
        sa.Column("renderer_version", sa.Integer(), nullable=False),
        sa.Column("side", sa.String(length=5), nullable=False),
        sa.Column("view", sa.String(length=40), nullable=False),
        sa.Column("view_title", sa.String(length=120), nullable=False),
        sa.Column("field_deg", sa.Double(), nullable=False),
        sa.Column("size_px", sa.Integer(), nullable=False),
        sa.Column("picture", sa.String(length=64), nullable=False),
        sa.Column("twin", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("looks", sa.Integer(), nullable=False),
        sa.Column("abnormal", sa.Boolean(), nullable=False),
        sa.Column("anatomy", Json, nullable=False),
        sa.Column("features", Json, nullable=False),
        sa.Column("truth", Json, nullable=False),
        sa.Column("outlines", Json, nullable=False),
        sa.Column("facts", Json, nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.CheckConstraint("side IN ('left', 'right')", name=op.f("ck_eye_side")),
        sa.CheckConstraint("source IN ('rendered', 'photograph')", name=op.f("ck_eye_source")),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_eye_card_id_card")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_eye")),
        sa.UniqueConstraint("seed", name=op.f("uq_eye_seed")),
    )
    op.create_index(
        "ix_eye_stock", "eye", ["card_id", "recipe_hash", "renderer_version", "looks"], unique=False
    )

    op.create_table(
        "eye_wish",
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("wished_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_eye_wish_card_id_card")),
        sa.PrimaryKeyConstraint("card_id", name=op.f("pk_eye_wish")),
    )
    op.create_table(
        "finding_tally",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("source", sa.String(length=12), nullable=False),
        sa.Column("finding", sa.String(length=32), nullable=False),
        sa.Column("hits", sa.Integer(), nullable=False),
        sa.Column("misses", sa.Integer(), nullable=False),
        sa.Column("false_alarms", sa.Integer(), nullable=False),
        sa.Column("correct_rejections", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_finding_tally_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "source", "finding", name=op.f("pk_finding_tally")),
    )
    op.create_table(
        "practice_day",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("answers", sa.Integer(), nullable=False),
        sa.Column("right", sa.Integer(), nullable=False),
        sa.Column("partly", sa.Integer(), nullable=False),
        sa.Column("wrong", sa.Integer(), nullable=False),
        sa.Column("abnormal", sa.Integer(), nullable=False),
        sa.Column("visible_ms", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_practice_day_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "day", name=op.f("pk_practice_day")),
    )
    op.create_table(
        "practice_round",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("started_at", UtcDateTime(), nullable=False),
        sa.Column("finished_at", UtcDateTime(), nullable=True),
        sa.Column("left_early", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_practice_round_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice_round")),
    )
    op.create_index(
        "ix_practice_round_learner_id_started_at",
        "practice_round",
        ["learner_id", "started_at"],
        unique=False,
    )
    op.create_index(
        "uq_practice_round_open",
        "practice_round",
        ["learner_id"],
        unique=True,
        sqlite_where=sa.text("finished_at IS NULL"),
        postgresql_where=sa.text("finished_at IS NULL"),
    )

    op.create_table(
        "web_session",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("used_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_web_session_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_web_session")),
    )
    op.create_index(op.f("ix_web_session_learner_id"), "web_session", ["learner_id"], unique=False)

    op.create_table(
        "round_item",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("round_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_round_item_card_id_card")),
        sa.ForeignKeyConstraint(
            ["round_id"],
            ["practice_round.id"],
            name=op.f("fk_round_item_round_id_practice_round"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_round_item")),
    )
    op.create_index(
        "ix_round_item_round_id_position", "round_item", ["round_id", "position"], unique=False
    )

    op.create_table(
        "look",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("round_id", sa.Uuid(), nullable=False),
        sa.Column(
            "round_item_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("eye_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "card_version_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("renderer_version", sa.Integer(), nullable=False),
        sa.Column("view", sa.String(length=40), nullable=False),
        sa.Column("shown_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_version_id"],
            ["card_version.id"],
            name=op.f("fk_look_card_version_id_card_version"),
        ),
        sa.ForeignKeyConstraint(["eye_id"], ["eye.id"], name=op.f("fk_look_eye_id_eye")),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_look_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["round_id"],
            ["practice_round.id"],
            name=op.f("fk_look_round_id_practice_round"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["round_item_id"],
            ["round_item.id"],
            name=op.f("fk_look_round_item_id_round_item"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_look")),
        sa.UniqueConstraint("learner_id", "eye_id", name=op.f("uq_look_learner_id_eye_id")),
        sa.UniqueConstraint("round_item_id", name=op.f("uq_look_round_item_id")),
    )
    op.create_index(op.f("ix_look_eye_id"), "look", ["eye_id"], unique=False)
    op.create_index("ix_look_round_id_position", "look", ["round_id", "position"], unique=True)

    op.create_table(
        "answer",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("look_id", sa.Uuid(), nullable=False),
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("answered_at", UtcDateTime(), nullable=False),
        sa.Column("local_day", sa.Date(), nullable=False),
        sa.Column("rules_version", sa.Integer(), nullable=False),
        sa.Column("judgements", Json, nullable=False),
        sa.Column("certainty", sa.String(length=8), nullable=True),
        sa.Column("point_x", sa.Double(), nullable=True),
        sa.Column("point_y", sa.Double(), nullable=True),
        sa.Column("response_ms", sa.Integer(), nullable=False),
        sa.Column("hidden_ms", sa.Integer(), nullable=False),
        sa.Column("untimed", sa.Boolean(), nullable=False),
        sa.Column("usable_ms", sa.Integer(), nullable=True),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("point_right", sa.Boolean(), nullable=True),
        sa.Column("marks", Json, nullable=False),
        sa.Column("quality", sa.Integer(), nullable=False),
        sa.Column("counted", sa.String(length=8), nullable=False),
        sa.Column("schedule_before", Json, nullable=True),
        sa.Column("schedule_after", Json, nullable=False),
        sa.CheckConstraint("counted IN ('review', 'practice')", name=op.f("ck_answer_counted")),
        sa.CheckConstraint("quality BETWEEN 0 AND 5", name=op.f("ck_answer_quality")),
        sa.CheckConstraint(
            "response_ms >= hidden_ms AND hidden_ms >= 0", name=op.f("ck_answer_times")
        ),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_answer_card_id_card")),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_answer_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["look_id"], ["look.id"], name=op.f("fk_answer_look_id_look"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answer")),
        sa.UniqueConstraint("learner_id", "ordinal", name=op.f("uq_answer_learner_id_ordinal")),
        sa.UniqueConstraint("look_id", name=op.f("uq_answer_look_id")),
    )
    op.create_index(
        "ix_answer_learner_id_card_id_ordinal",
        "answer",
        ["learner_id", "card_id", "ordinal"],
        unique=False,
    )
