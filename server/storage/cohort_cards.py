"""How a cohort did on each card, in the database: over each learner's latest answers.

Answers on photographs only, drawn or real: at the bedside a finding can be out of sight.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, and_, func, select
from sqlalchemy.orm import Session

from server.storage.models import AnswerRow, CardRow, CohortMemberRow, LearnerRow, LookRow


class CardAnswer(NamedTuple):
    """One answer on a card."""

    learner_id: UUID
    card_id: str
    outcome: str
    usable_ms: int | None


class CardName(NamedTuple):
    """What a card is called and about."""

    title: str
    kind: str
    finding: str | None


def _lately(latest: int) -> ColumnElement[bool]:
    """Join the latest answers of each learner; the index on their ordinals finds them."""
    return and_(
        AnswerRow.learner_id == CohortMemberRow.learner_id,
        AnswerRow.ordinal > LearnerRow.answers - latest,
    )


def answers(session: Session, cohort_id: UUID, *, latest: int) -> Sequence[CardAnswer]:
    """Return the latest answers of each learner of a cohort, in no order."""
    rows = session.execute(
        select(AnswerRow.learner_id, AnswerRow.card_id, AnswerRow.outcome, AnswerRow.usable_ms)
        .select_from(CohortMemberRow)
        .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
        .join(AnswerRow, _lately(latest))
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .where(CohortMemberRow.cohort_id == cohort_id, LookRow.stage.is_(None))
    )
    return [CardAnswer(*row) for row in rows]


def names(session: Session) -> dict[str, CardName]:
    """Return every card's title, kind and finding by its id."""
    rows = session.execute(select(CardRow.id, CardRow.title, CardRow.kind, CardRow.finding))
    return {row[0]: CardName(*row[1:]) for row in rows}


def wrong_marks(
    session: Session, cohort_id: UUID, card_id: str, *, latest: int
) -> Sequence[tuple[dict[str, Any], int]]:
    """Return the different sheets of marks of wrong answers on a card, and how often each came."""
    rows = session.execute(
        select(AnswerRow.marks, func.count())
        .select_from(CohortMemberRow)
        .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
        .join(AnswerRow, _lately(latest))
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .where(
            CohortMemberRow.cohort_id == cohort_id,
            LookRow.stage.is_(None),
            AnswerRow.card_id == card_id,
            AnswerRow.outcome != "right",
        )
        .group_by(AnswerRow.marks)
    )
    return [(marks, int(times)) for marks, times in rows]
