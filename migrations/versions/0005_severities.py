"""The severity of eyes, the record behind thresholds, and the load behind a schedule.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import sqlalchemy as sa
from alembic import op

from server.storage.types import Json, UtcDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

REMEMBERED = 160


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "threshold",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("finding", sa.String(length=32), nullable=False),
        sa.Column("eyes", sa.Integer(), nullable=False),
        sa.Column("latest", Json, nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_threshold_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("learner_id", "finding", name=op.f("pk_threshold")),
    )
    op.add_column("answer", sa.Column("rotation_on", sa.Date(), nullable=True))
    op.add_column("answer", sa.Column("load", Json, nullable=True))
    # The rules until now knew of no load.
    op.execute(sa.table("answer", sa.column("load", Json)).update().values(load={}))
    with op.batch_alter_table("answer") as table:
        table.alter_column("load", existing_type=Json, nullable=False)
    op.add_column("eye", sa.Column("severity", sa.Double(), nullable=True))
    op.add_column("round_item", sa.Column("severity", sa.Double(), nullable=True))
    # Wishes are renewed by whoever still waits.
    op.drop_table("eye_wish")
    op.create_table(
        "eye_wish",
        sa.Column("card_id", sa.String(length=80), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("nearer", sa.Boolean(), nullable=False),
        sa.Column("severity", sa.Double(), nullable=True),
        sa.Column("wished_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["card_id"], ["card.id"], name=op.f("fk_eye_wish_card_id_card")),
        sa.PrimaryKeyConstraint("card_id", name=op.f("pk_eye_wish")),
    )
    _fill_severities(op.get_bind())
    _fill_thresholds(op.get_bind())


def _fill_severities(connection: sa.Connection) -> None:
    """Copy the severity of each eye's own feature out of its features."""
    eye = sa.table(
        "eye",
        sa.column("id", sa.BigInteger()),
        sa.column("features", Json),
        sa.column("severity", sa.Double()),
    )
    known = [
        {"eye_id": row.id, "own": row.features[0]["severity"]}
        for row in connection.execute(sa.select(eye.c.id, eye.c.features))
        if row.features
    ]
    if known:
        connection.execute(
            eye.update()
            .where(eye.c.id == sa.bindparam("eye_id"))
            .values(severity=sa.bindparam("own")),
            known,
        )


def _fill_thresholds(connection: sa.Connection) -> None:
    """Write down, for every learner and finding, how severe the latest eyes were, and if seen."""
    answer = sa.table(
        "answer",
        sa.column("learner_id", sa.Uuid()),
        sa.column("look_id", sa.Uuid()),
        sa.column("ordinal", sa.Integer()),
        sa.column("marks", Json),
    )
    look = sa.table("look", sa.column("id", sa.Uuid()), sa.column("eye_id", sa.BigInteger()))
    eye = sa.table(
        "eye",
        sa.column("id", sa.BigInteger()),
        sa.column("source", sa.String()),
        sa.column("features", Json),
    )
    threshold = sa.table(
        "threshold",
        sa.column("learner_id", sa.Uuid()),
        sa.column("finding", sa.String()),
        sa.column("eyes", sa.Integer()),
        sa.column("latest", Json),
    )
    found: dict[tuple[Any, str], list[list[int]]] = defaultdict(list)
    for row in connection.execute(
        sa.select(answer.c.learner_id, answer.c.marks, eye.c.features)
        .join_from(answer, look, look.c.id == answer.c.look_id)
        .join(eye, eye.c.id == look.c.eye_id)
        .where(eye.c.source == "rendered")
        .order_by(answer.c.learner_id, answer.c.ordinal)
    ):
        for feature in row.features:
            mark = row.marks.get(feature["kind"])
            if mark in ("hit", "miss"):
                found[row.learner_id, feature["kind"]].append(
                    [round(100 * feature["severity"]), int(mark == "hit")]
                )
    if found:
        connection.execute(
            threshold.insert(),
            [
                {
                    "learner_id": learner_id,
                    "finding": finding,
                    "eyes": len(eyes),
                    "latest": eyes[-REMEMBERED:],
                }
                for (learner_id, finding), eyes in found.items()
            ],
        )
