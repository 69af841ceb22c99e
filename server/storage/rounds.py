"""Rounds and their planned eyes in the database."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    AnswerRow,
    CardRow,
    CardVersionRow,
    LookRow,
    RoundItemRow,
    RoundRow,
)


class Counts(NamedTuple):
    """How far a round is."""

    planned: int
    answered: int


class PlannedEye(NamedTuple):
    """A planned eye with its card and the card's version in use."""

    item: RoundItemRow
    card: CardRow
    version: CardVersionRow


def get(session: Session, learner_id: UUID, round_id: UUID) -> RoundRow | None:
    """Return a round of this learner, or None."""
    return session.scalar(
        select(RoundRow).where(RoundRow.id == round_id, RoundRow.learner_id == learner_id)
    )


def open_round(session: Session, learner_id: UUID) -> RoundRow | None:
    """Return the learner's open round, or None."""
    return session.scalar(
        select(RoundRow).where(RoundRow.learner_id == learner_id, RoundRow.finished_at.is_(None))
    )


def counts(session: Session, round_id: UUID) -> Counts:
    """Return how many eyes a round has, and how many of them are answered."""
    planned = (
        select(func.count())
        .select_from(RoundItemRow)
        .where(RoundItemRow.round_id == round_id)
        .scalar_subquery()
    )
    answered = (
        select(func.count())
        .select_from(AnswerRow)
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .where(LookRow.round_id == round_id)
        .scalar_subquery()
    )
    return Counts(*session.execute(select(planned, answered)).one())


def not_dealt(session: Session, round_id: UUID, at_most: int | None = None) -> Sequence[PlannedEye]:
    """Return the planned eyes not shown yet, with their cards, in order."""
    rows = session.execute(
        select(RoundItemRow, CardRow, CardVersionRow)
        .join(CardRow, CardRow.id == RoundItemRow.card_id)
        .join(
            CardVersionRow,
            (CardVersionRow.card_id == CardRow.id)
            & (CardVersionRow.content_hash == CardRow.content_hash),
        )
        .where(
            RoundItemRow.round_id == round_id,
            ~exists().where(LookRow.round_item_id == RoundItemRow.id),
        )
        .order_by(RoundItemRow.position, RoundItemRow.id)
        .limit(at_most)
    )
    return [PlannedEye(*row) for row in rows]


def has_repeat(session: Session, round_id: UUID, card_id: str) -> bool:
    """Tell whether the round holds a same-day repeat of a card."""
    return (
        session.scalar(
            select(RoundItemRow.id)
            .where(
                RoundItemRow.round_id == round_id,
                RoundItemRow.card_id == card_id,
                RoundItemRow.reason == "again",
            )
            .limit(1)
        )
        is not None
    )
