"""Packages of cards: versions are numbered, words have an author, files wait to be decided on.

There is no way back in code: restore the copy made before the migration.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from server.storage.types import UtcDateTime

revision = "0020"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Busy tables on a server: give up soon rather than queue everybody behind this.
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SET LOCAL lock_timeout = '10s'")
    op.add_column("card", sa.Column("words_credit", sa.String(length=200), nullable=True))
    op.add_column("card", sa.Column("words_licence", sa.String(length=40), nullable=True))
    card = sa.table("card", sa.column("words_credit"), sa.column("words_licence"))
    op.execute(card.update().values(words_credit="", words_licence=""))
    with op.batch_alter_table("card") as table:
        table.alter_column("words_credit", existing_type=sa.String(length=200), nullable=False)
        table.alter_column("words_licence", existing_type=sa.String(length=40), nullable=False)
    op.add_column("card_version", sa.Column("number", sa.Integer(), nullable=True))
    # In the order in which they were made.
    op.execute(
        "UPDATE card_version SET number = (SELECT count(*) FROM card_version AS earlier "
        "WHERE earlier.card_id = card_version.card_id AND earlier.id <= card_version.id)"
    )
    with op.batch_alter_table("card_version") as table:
        table.alter_column("number", existing_type=sa.Integer(), nullable=False)
        table.create_unique_constraint(
            op.f("uq_card_version_card_id_number"), ["card_id", "number"]
        )
    op.create_table(
        "card_package",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("added_by", sa.Uuid(), nullable=True),
        sa.Column("added_at", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["added_by"],
            ["learner.id"],
            name=op.f("fk_card_package_added_by_learner"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_card_package")),
    )
    op.create_index(op.f("ix_card_package_added_by"), "card_package", ["added_by"])
