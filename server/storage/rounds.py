"""Rounds and their planned eyes in the database."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from server.storage.models import AnswerRow, CardRow, LookRow, RoundItemRow, RoundRow


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


def planned(session: Session, round_id: UUID) -> int:
    """Return the number of eyes planned for a round."""
    return session.scalar(select(func.count()).where(RoundItemRow.round_id == round_id)) or 0


def answered(session: Session, round_id: UUID) -> int:
    """Return the number of answered looks of a round."""
    return (
        session.scalar(
            select(func.count(AnswerRow.id))
            .join(LookRow, LookRow.id == AnswerRow.look_id)
            .where(LookRow.round_id == round_id)
        )
        or 0
    )


def not_dealt(session: Session, round_id: UUID) -> Sequence[tuple[RoundItemRow, CardRow]]:
    """Return the planned eyes not shown yet, with their cards, in order."""
    rows = session.execute(
        select(RoundItemRow, CardRow)
        .join(CardRow, CardRow.id == RoundItemRow.card_id)
        .where(
            RoundItemRow.round_id == round_id,
            ~exists().where(LookRow.round_item_id == RoundItemRow.id),
        )
        .order_by(RoundItemRow.position, RoundItemRow.id)
    )
    return [(item, card) for item, card in rows]


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
