"""Which pictures a cohort misjudged, in the database: over each learner's latest looks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, Float, and_, case, cast, func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    AnswerRow,
    CardRow,
    CohortMemberRow,
    EyeRow,
    LearnerRow,
    LookRow,
)


class WrongEye(NamedTuple):
    """An eye, how many learners of the cohort met it lately, and how many judged it wrongly."""

    eye_id: int
    looks: int
    wrong: int


def _lately(latest: int) -> ColumnElement[bool]:
    """Join the latest answers of each learner; the index on their ordinals finds them."""
    return and_(
        AnswerRow.learner_id == CohortMemberRow.learner_id,
        AnswerRow.ordinal > LearnerRow.answers - latest,
    )


def most_wrong(
    session: Session,
    cohort_id: UUID,
    *,
    latest: int,
    fewest: int,
    limit: int,
    card_id: str | None = None,
) -> Sequence[WrongEye]:
    """Return the eyes misjudged by the largest share of those who met them, worst first.

    Of one card, or (None) of all.
    """
    looks = func.count()
    wrong = func.sum(case((AnswerRow.outcome != "right", 1), else_=0))
    query = (
        select(LookRow.eye_id, looks, wrong)
        .select_from(CohortMemberRow)
        .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
        .join(AnswerRow, _lately(latest))
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .where(CohortMemberRow.cohort_id == cohort_id)
        .group_by(LookRow.eye_id)
        .having(looks >= fewest, wrong > 0)
        .order_by((cast(wrong, Float) / looks).desc(), looks.desc(), LookRow.eye_id)
        .limit(limit)
    )
    if card_id is not None:
        query = query.where(AnswerRow.card_id == card_id)
    rows = session.execute(query)
    return [WrongEye(eye_id, int(met), int(missed)) for eye_id, met, missed in rows]


def eyes(session: Session, eye_ids: Collection[int]) -> dict[int, tuple[EyeRow, str]]:
    """Return eyes with the titles of their cards, by id."""
    rows = session.execute(
        select(EyeRow, CardRow.title)
        .join(CardRow, CardRow.id == EyeRow.card_id)
        .where(EyeRow.id.in_(eye_ids))
    )
    return {eye.id: (eye, title) for eye, title in rows}


def slips(
    session: Session, cohort_id: UUID, eye_ids: Collection[int], *, latest: int
) -> dict[int, list[dict[str, str]]]:
    """Return the marks of the wrong answers that the cohort lately gave to some eyes."""
    rows = session.execute(
        select(LookRow.eye_id, AnswerRow.marks)
        .select_from(LookRow)
        .join(AnswerRow, AnswerRow.look_id == LookRow.id)
        .join(CohortMemberRow, CohortMemberRow.learner_id == AnswerRow.learner_id)
        .join(LearnerRow, LearnerRow.id == AnswerRow.learner_id)
        .where(
            LookRow.eye_id.in_(eye_ids),
            CohortMemberRow.cohort_id == cohort_id,
            AnswerRow.ordinal > LearnerRow.answers - latest,
            AnswerRow.outcome != "right",
        )
    )
    found: dict[int, list[dict[str, str]]] = defaultdict(list)
    for eye_id, marks in rows:
        found[eye_id].append(marks)
    return found
