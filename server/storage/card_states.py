"""Where learners stand with their cards, in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from server.scheduling.sm2 import NEW, CardState
from server.storage.models import CardRow, CardStateRow


def as_state(row: CardStateRow | None) -> CardState:
    """Return the scheduling state of a row; a card without one is new."""
    if row is None:
        return NEW
    return CardState(
        easiness=row.easiness,
        repetition=row.repetition,
        interval_days=row.interval_days,
        due_on=row.due_on,
        last_on=row.last_on,
        lapses=row.lapses,
    )


def get(session: Session, learner_id: UUID, card_id: str) -> CardStateRow | None:
    """Return where a learner stands with a card; None when they have not met it."""
    return session.get(CardStateRow, (learner_id, card_id))


def of_learner(session: Session, learner_id: UUID) -> dict[str, CardStateRow]:
    """Return all states of a learner by card, retired cards included."""
    rows = session.scalars(select(CardStateRow).where(CardStateRow.learner_id == learner_id))
    return {row.card_id: row for row in rows}


class DueBesides(NamedTuple):
    """Other cards that fall due on one day."""

    day: date
    cards: int
    """All of them: which are retired is no part of history, and they are few."""
    in_use: int
    """Those of them that can still come in a round."""


def due_besides(
    session: Session, learner_id: UUID, card_id: str, but: Collection[str] = ()
) -> Sequence[DueBesides]:
    """Return how many cards besides one fall due on each day; retired and left-out ones apart."""
    can_come = case((CardRow.retired | CardRow.id.in_(but), 0), else_=1)
    rows = session.execute(
        select(CardStateRow.due_on, func.count(), func.sum(can_come))
        .join(CardRow, CardRow.id == CardStateRow.card_id)
        .where(CardStateRow.learner_id == learner_id, CardStateRow.card_id != card_id)
        .group_by(CardStateRow.due_on)
    )
    return [DueBesides(day, number, int(in_use)) for day, number, in_use in rows]


def due_counts(
    session: Session, learner_id: UUID, but: Collection[str] = ()
) -> Sequence[tuple[date, int]]:
    """Return how many cards in use, some left out, fall due on each day, soonest first."""
    rows = session.execute(
        select(CardStateRow.due_on, func.count())
        .join(CardRow, CardRow.id == CardStateRow.card_id)
        .where(
            CardStateRow.learner_id == learner_id,
            CardRow.retired.is_(False),
            CardRow.id.not_in(but),
        )
        .group_by(CardStateRow.due_on)
        .order_by(CardStateRow.due_on)
    )
    return [(day, number) for day, number in rows]
