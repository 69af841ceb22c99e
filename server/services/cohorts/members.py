"""The learners of a cohort, as its leads see them. Reads only; whoever asks must lead it."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.storage import cohorts as rows
from server.storage.cohorts import MemberLine


def all_of(session: Session, cohort_id: UUID) -> Sequence[MemberLine]:
    """Return the learners of a cohort by name."""
    return rows.members(session, cohort_id)


def one_of(session: Session, cohort_id: UUID, learner_id: UUID) -> MemberLine:
    """Return one learner of a cohort.

    Raises
    ------
    NotFound : they are not in it (any more).
    """
    found = rows.members(session, cohort_id, learner_id)
    if not found:
        raise NotFound("This learner is not in the cohort (any more).")
    return found[0]


def groups(session: Session, cohort_id: UUID) -> Sequence[str]:
    """Return the names of the cohort's groups."""
    return rows.groups(session, cohort_id)


def size(session: Session, cohort_id: UUID) -> int:
    """Return the number of the cohort's learners."""
    return rows.size(session, cohort_id)
