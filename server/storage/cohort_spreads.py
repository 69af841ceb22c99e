"""How a cohort is spread: over groups, days practised, and findings that learners are ready for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.cohort_figures import ready_letter
from server.storage.models import CohortMemberRow, FindingTallyRow, PracticeDayRow


class Spread(NamedTuple):
    """So many learners of a group practised on so many days and are ready for so many findings."""

    group_name: str
    days: int
    ready: int
    learners: int


def spreads(
    session: Session,
    cohort_id: UUID,
    *,
    first_day: date,
    standards: Mapping[str, int],
    source: str,
) -> Sequence[Spread]:
    """Return how a cohort is spread, in one query; every learner is counted once.

    Parameters
    ----------
    first_day : of the window in which days count.
    """
    days = (
        select(func.count())
        .where(
            PracticeDayRow.learner_id == CohortMemberRow.learner_id,
            PracticeDayRow.day >= first_day,
        )
        .correlate(CohortMemberRow)
        .scalar_subquery()
    )
    ready = (
        select(func.count())
        .where(
            FindingTallyRow.learner_id == CohortMemberRow.learner_id,
            FindingTallyRow.source == source,
            ready_letter(standards) == "r",
        )
        .correlate(CohortMemberRow)
        .scalar_subquery()
    )
    each = (
        select(CohortMemberRow.group_name, days.label("days"), ready.label("ready"))
        .where(CohortMemberRow.cohort_id == cohort_id)
        .subquery()
    )
    rows = session.execute(
        select(each.c.group_name, each.c.days, each.c.ready, func.count()).group_by(
            each.c.group_name, each.c.days, each.c.ready
        )
    )
    return [Spread(*row) for row in rows]
