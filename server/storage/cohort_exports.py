"""What a cohort's export reads: a learner's answers a page at a time, and their sums."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    AnswerRow,
    CardRow,
    EyeRow,
    FindingTallyRow,
    LearnerRow,
    LookRow,
    PracticeDayRow,
)


class AnswerLine(NamedTuple):
    """One answer with what it answered."""

    id: UUID
    ordinal: int
    answered_at: datetime
    local_day: date
    card_id: str
    card_title: str
    card_kind: str
    about: str | None
    """The finding that the card is about, or that it resembles; None for a normal eye."""
    eye_id: int
    eye_source: str
    side: str
    severity: float | None
    renderer_version: int
    view: str
    stage: int | None
    certainty: str | None
    response_ms: int
    hidden_ms: int
    untimed: bool
    outcome: str
    point_right: bool | None
    quality: int
    counted: str
    before: dict[str, Any] | None
    after: dict[str, Any]
    marks: dict[str, str]


class PracticeSums(NamedTuple):
    """What one learner practised."""

    learner_id: UUID
    rotation_on: date | None
    answers: int
    days: int
    visible_ms: int
    last_on: date | None


def answers_of(
    session: Session, learner_id: UUID, *, since: datetime, after_ordinal: int, limit: int
) -> Sequence[AnswerLine]:
    """Return a learner's answers given since a moment, in order, from an ordinal on."""
    # More columns than the library's typing of a row counts.
    rows: Iterable[Any] = session.execute(
        select(
            AnswerRow.id,
            AnswerRow.ordinal,
            AnswerRow.answered_at,
            AnswerRow.local_day,
            AnswerRow.card_id,
            CardRow.title,
            CardRow.kind,
            func.coalesce(CardRow.finding, CardRow.mimics),
            LookRow.eye_id,
            EyeRow.source,
            EyeRow.side,
            EyeRow.severity,
            LookRow.renderer_version,
            LookRow.view,
            LookRow.stage,
            AnswerRow.certainty,
            AnswerRow.response_ms,
            AnswerRow.hidden_ms,
            AnswerRow.untimed,
            AnswerRow.outcome,
            AnswerRow.point_right,
            AnswerRow.quality,
            AnswerRow.counted,
            AnswerRow.schedule_before,
            AnswerRow.schedule_after,
            AnswerRow.marks,
        )
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardRow, CardRow.id == AnswerRow.card_id)
        .where(
            AnswerRow.learner_id == learner_id,
            AnswerRow.ordinal > after_ordinal,
            AnswerRow.answered_at >= since,
        )
        .order_by(AnswerRow.ordinal)
        .limit(limit)
    )
    return [AnswerLine(*row) for row in rows]


def practice_of(session: Session, learner_ids: Collection[UUID]) -> Sequence[PracticeSums]:
    """Return what some learners practised altogether; one line for each."""
    rows = session.execute(
        select(
            LearnerRow.id,
            LearnerRow.rotation_on,
            func.coalesce(func.sum(PracticeDayRow.answers), 0),
            func.count(PracticeDayRow.day),
            func.coalesce(func.sum(PracticeDayRow.visible_ms), 0),
            func.max(PracticeDayRow.day),
        )
        .outerjoin(PracticeDayRow, PracticeDayRow.learner_id == LearnerRow.id)
        .where(LearnerRow.id.in_(learner_ids))
        .group_by(LearnerRow.id, LearnerRow.rotation_on)
    )
    return [
        PracticeSums(row[0], row[1], int(row[2]), int(row[3]), int(row[4]), row[5]) for row in rows
    ]


def tallies_of(
    session: Session, learner_ids: Collection[UUID], source: str
) -> Sequence[FindingTallyRow]:
    """Return the sums of some learners per finding, on one source of pictures."""
    return session.scalars(
        select(FindingTallyRow).where(
            FindingTallyRow.learner_id.in_(learner_ids), FindingTallyRow.source == source
        )
    ).all()
