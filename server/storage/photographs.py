"""Photographs as eyes in the database: which of them a learner has seen."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final
from uuid import UUID

from sqlalchemy import ColumnElement, and_, exists, select, update
from sqlalchemy.orm import Session, aliased

from server.storage.models import CardRow, CardVersionRow, EyeRow, LookRow

PHOTOGRAPH: Final = "photograph"
"""The source of cards and eyes that no renderer drew."""

NO_RENDERER = -1
"""Stands for the renderer's version in the row of a photograph."""


def unseen(learner_id: UUID) -> ColumnElement[bool]:
    """Return the condition that an eye's photograph was never shown to a learner.

    By its picture: a photograph whose marks were corrected is another eye, and no fresher.
    """
    shown = aliased(EyeRow)
    return ~exists().where(
        LookRow.learner_id == learner_id,
        LookRow.eye_id == shown.id,
        shown.source == PHOTOGRAPH,
        shown.picture == EyeRow.picture,
    )


def used_up(session: Session, learner_id: UUID) -> frozenset[str]:
    """Return the photograph cards of which a learner has seen every photograph."""
    left = (
        select(EyeRow.id)
        .where(
            EyeRow.card_id == CardRow.id,
            EyeRow.recipe_hash == CardVersionRow.recipe_hash,
            EyeRow.source == PHOTOGRAPH,
            unseen(learner_id),
        )
        .correlate(CardRow, CardVersionRow)
    )
    return frozenset(
        session.scalars(
            select(CardRow.id)
            .join(
                CardVersionRow,
                and_(
                    CardVersionRow.card_id == CardRow.id,
                    CardVersionRow.content_hash == CardRow.content_hash,
                ),
            )
            .where(CardRow.source == PHOTOGRAPH, CardRow.retired.is_(False), ~left.exists())
        )
    )


def by_seed(session: Session, seeds: Collection[int]) -> dict[int, EyeRow]:
    """Return the eyes with these seeds."""
    return {row.seed: row for row in session.scalars(select(EyeRow).where(EyeRow.seed.in_(seeds)))}


def take_out(session: Session, card_id: str, but: Collection[int]) -> None:
    """Deal no photograph of a card any more but those with the seeds given."""
    session.execute(
        update(EyeRow)
        .where(
            EyeRow.card_id == card_id, EyeRow.source == PHOTOGRAPH, EyeRow.seed.not_in(list(but))
        )
        .values(recipe_hash="")
    )
