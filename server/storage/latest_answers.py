"""The latest answers of each learner of a cohort, or of the whole site, for figures about eyes.

How many of each is for the caller to say; the index on learners' ordinals finds them.
"""

from __future__ import annotations

from typing import Any, Final, TypeVar
from uuid import UUID

from sqlalchemy import Select, and_, exists, func, select
from sqlalchemy.orm import Session

from server.storage.models import AnswerRow, CohortMemberRow, CohortRow, LearnerRow, LookRow

S = TypeVar("S", bound=Select[*tuple[Any, ...]])

MOST_LEARNERS: Final = 1000
"""Of a site: those who practised most, so that the work stays the same however many come."""


def joined_latest(query: S, cohort_id: UUID | None, latest: int) -> S:
    """Return a query over learner, answer and look, of each learner's latest answers.

    Parameters
    ----------
    cohort_id : whose members are read; None for the whole site but for its invented learners.
    latest : answers of each.
    """
    if cohort_id is None:
        busiest = _busiest().subquery()
        query = query.select_from(busiest).join(LearnerRow, LearnerRow.id == busiest.c.id)
    else:
        query = (
            query.select_from(CohortMemberRow)
            .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
            .where(CohortMemberRow.cohort_id == cohort_id)
        )
    return query.join(
        AnswerRow,
        and_(
            AnswerRow.learner_id == LearnerRow.id, AnswerRow.ordinal > LearnerRow.answers - latest
        ),
    ).join(LookRow, LookRow.id == AnswerRow.look_id)


def learners_of_site(session: Session) -> int:
    """Return how many learners figures about the site are made from."""
    return session.scalar(select(func.count()).select_from(_busiest().subquery())) or 0


def _busiest() -> Select[Any]:
    invented = exists().where(
        CohortMemberRow.learner_id == LearnerRow.id,
        CohortRow.id == CohortMemberRow.cohort_id,
        CohortRow.invented.is_(True),
    )
    return (
        select(LearnerRow.id)
        .where(LearnerRow.answers > 0, ~invented)
        .order_by(LearnerRow.answers.desc(), LearnerRow.id)
        .limit(MOST_LEARNERS)
    )
