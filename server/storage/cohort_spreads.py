"""How a cohort is spread over days practised, and over findings that learners are ready for."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.cohort_figures import in_cohort, ready_letter
from server.storage.models import CohortMemberRow, FindingTallyRow, PracticeDayRow


def by_days(
    session: Session, cohort_id: UUID, *, first_day: date, group: str | None
) -> dict[int, int]:
    """Return how many learners practised on how many days of a window; those on none are left out.

    Parameters
    ----------
    first_day : of the window, which has no other end.
    """
    each = (
        select(func.count().label("days"))
        .select_from(PracticeDayRow)
        .join(CohortMemberRow, CohortMemberRow.learner_id == PracticeDayRow.learner_id)
        .where(in_cohort(cohort_id, group), PracticeDayRow.day >= first_day)
        .group_by(PracticeDayRow.learner_id)
        .subquery()
    )
    rows = session.execute(select(each.c.days, func.count()).group_by(each.c.days))
    return {int(days): int(learners) for days, learners in rows}


def by_ready(
    session: Session,
    cohort_id: UUID,
    *,
    standards: Mapping[str, int],
    source: str,
    group: str | None,
) -> dict[int, int]:
    """Return how many learners are ready for how many findings; those for none are left out."""
    each = (
        select(func.count().label("findings"))
        .select_from(FindingTallyRow)
        .join(CohortMemberRow, CohortMemberRow.learner_id == FindingTallyRow.learner_id)
        .where(
            in_cohort(cohort_id, group),
            FindingTallyRow.source == source,
            ready_letter(standards) == "r",
        )
        .group_by(FindingTallyRow.learner_id)
        .subquery()
    )
    rows = session.execute(select(each.c.findings, func.count()).group_by(each.c.findings))
    return {int(findings): int(learners) for findings, learners in rows}
