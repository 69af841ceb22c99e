"""How a cohort (or the site) did on each card, in the database: over each learner's latest answers.

Answers on photographs only, drawn or real: at the bedside a finding can be out of sight.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.latest_answers import joined_latest
from server.storage.models import AnswerRow, CardRow, LookRow


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


def answers(session: Session, cohort_id: UUID | None, *, latest: int) -> Sequence[CardAnswer]:
    """Return the latest answers of each learner of a cohort (None: the site), in no order."""
    told = select(AnswerRow.learner_id, AnswerRow.card_id, AnswerRow.outcome, AnswerRow.usable_ms)
    rows = session.execute(joined_latest(told, cohort_id, latest).where(LookRow.stage.is_(None)))
    return [CardAnswer(*row) for row in rows]


def names(session: Session) -> dict[str, CardName]:
    """Return every card's title, kind and finding by its id."""
    rows = session.execute(select(CardRow.id, CardRow.title, CardRow.kind, CardRow.finding))
    return {row[0]: CardName(*row[1:]) for row in rows}


def wrong_marks(
    session: Session, cohort_id: UUID | None, card_id: str, *, latest: int
) -> Sequence[tuple[dict[str, Any], int]]:
    """Return the different sheets of marks of wrong answers on a card, and how often each came."""
    rows = session.execute(
        joined_latest(select(AnswerRow.marks, func.count()), cohort_id, latest)
        .where(
            LookRow.stage.is_(None),
            AnswerRow.card_id == card_id,
            AnswerRow.outcome != "right",
        )
        .group_by(AnswerRow.marks)
    )
    return [(marks, int(times)) for marks, times in rows]
