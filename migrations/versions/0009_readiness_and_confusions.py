"""Readiness at every level and what is taken for what, kept with every answer.

Answers given before are counted here, by the program's own functions: the
command ``recompute`` holds what they wrote to what those functions say today.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

from collections import Counter, defaultdict

import sqlalchemy as sa
from alembic import op

from server.measurement.confusion import confusion, sheet_of
from server.measurement.ladder import START, UNDECIDED, Ladder
from server.rendering.eye import FINDINGS
from server.storage.types import Json

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

ANSWERS = sa.text(
    "SELECT answer.learner_id, eye.source, answer.marks, card_version.content "
    "FROM answer JOIN look ON look.id = answer.look_id JOIN eye ON eye.id = look.eye_id "
    "JOIN card_version ON card_version.id = look.card_version_id "
    "ORDER BY answer.learner_id, answer.ordinal"
).columns(
    sa.column("learner_id", sa.Uuid()),
    sa.column("source", sa.String()),
    sa.column("marks", Json),
    sa.column("content", Json),
)

TALLY = sa.table(
    "finding_tally",
    sa.column("learner_id", sa.Uuid()),
    sa.column("source", sa.String()),
    sa.column("finding", sa.String()),
    sa.column("readiness", sa.String()),
    sa.column("ladder", Json),
)
CONFUSIONS = sa.table(
    "confusion_tally",
    sa.column("learner_id", sa.Uuid()),
    sa.column("source", sa.String()),
    sa.column("truth", sa.String()),
    sa.column("call", sa.String()),
    sa.column("times", sa.Integer()),
)


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.create_table(
        "confusion_tally",
        sa.Column("learner_id", sa.Uuid(), nullable=False),
        sa.Column("source", sa.String(length=12), nullable=False),
        sa.Column("truth", sa.String(length=40), nullable=False),
        sa.Column("call", sa.String(length=32), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["learner_id"],
            ["learner.id"],
            name=op.f("fk_confusion_tally_learner_id_learner"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint(
            "learner_id", "source", "truth", "call", name=op.f("pk_confusion_tally")
        ),
    )
    with op.batch_alter_table("finding_tally", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("readiness", sa.String(length=5), nullable=False, server_default=UNDECIDED)
        )
        batch_op.add_column(sa.Column("ladder", Json, nullable=False, server_default="[]"))
    with op.batch_alter_table("finding_tally", schema=None) as batch_op:
        batch_op.alter_column("readiness", server_default=None)
        batch_op.alter_column("ladder", server_default=None)
    count_again(op.get_bind())


def count_again(connection: sa.Connection) -> None:
    """Fill both from the answers in the database."""
    ladders: dict[tuple[object, str, str], Ladder] = {}
    confusions: dict[tuple[object, str], Counter[tuple[str, str]]] = defaultdict(Counter)
    for learner_id, source, marks, content in connection.execute(ANSWERS):
        for finding, mark in marks.items():
            key = learner_id, source, finding
            ladders[key] = ladders.get(key, START).after(mark)
        card = content["card"]
        look_alike = card["features"][0]["kind"] if card["kind"] == "look-alike" else None
        confusions[learner_id, source] += confusion([sheet_of(marks, look_alike)], FINDINGS).counts
    for (learner_id, source, finding), ladder in ladders.items():
        connection.execute(
            TALLY.update()
            .where(
                TALLY.c.learner_id == learner_id,
                TALLY.c.source == source,
                TALLY.c.finding == finding,
            )
            .values(readiness=ladder.letters, ladder=ladder.to_json())
        )
    for (learner_id, source), counts in confusions.items():
        connection.execute(
            CONFUSIONS.insert(),
            [
                {
                    "learner_id": learner_id,
                    "source": source,
                    "truth": truth,
                    "call": call,
                    "times": times,
                }
                for (truth, call), times in counts.items()
            ],
        )
