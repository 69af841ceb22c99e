"""Cohorts, their leads, learners and places in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import delete, exists, func, select, update
from sqlalchemy.orm import Session

from server.storage.models import (
    AccountRow,
    CohortLeadRow,
    CohortMemberRow,
    CohortPlaceRow,
    CohortRow,
    LearnerRow,
)


class LeadLine(NamedTuple):
    """Somebody who leads a cohort."""

    learner_id: UUID
    sign_in_name: str | None
    name: str


class CohortLine(NamedTuple):
    """A cohort in a list."""

    cohort: CohortRow
    learners: int


class MemberLine(NamedTuple):
    """A learner of a cohort."""

    learner_id: UUID
    name: str
    sign_in_name: str | None
    group_name: str
    joined_at: datetime


class PlaceLine(NamedTuple):
    """A place kept for somebody who has not joined yet."""

    id: UUID
    name: str
    group_name: str
    code: str


class Membership(NamedTuple):
    """A cohort that somebody learns in."""

    cohort: CohortRow
    member: CohortMemberRow


def get(session: Session, cohort_id: UUID) -> CohortRow | None:
    """Return a cohort, or None."""
    return session.get(CohortRow, cohort_id)


def hold(session: Session, cohort_id: UUID) -> CohortRow | None:
    """Return a cohort, held until the transaction ends; SQLite has one writer anyway."""
    return session.scalar(
        select(CohortRow)
        .where(CohortRow.id == cohort_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def of_code(session: Session, code: str) -> CohortRow | None:
    """Return the cohort that a code joins, or None."""
    return session.scalar(select(CohortRow).where(CohortRow.join_code == code))


def place_of_code(session: Session, code: str) -> CohortPlaceRow | None:
    """Return the place that a code joins under its name, or None."""
    return session.scalar(select(CohortPlaceRow).where(CohortPlaceRow.code == code))


def code_is_free(session: Session, code: str) -> bool:
    """Whether nothing is joined by a code."""
    taken = exists().where(CohortRow.join_code == code) | exists().where(
        CohortPlaceRow.code == code
    )
    return not session.scalar(select(taken))


def led(session: Session, lead_id: UUID | None) -> Sequence[CohortLine]:
    """Return the cohorts that somebody leads, or all; those in use first, then by name."""
    learners = (
        select(func.count())
        .where(CohortMemberRow.cohort_id == CohortRow.id)
        .correlate(CohortRow)
        .scalar_subquery()
    )
    query = select(CohortRow, learners).order_by(
        CohortRow.archived_at.is_not(None), CohortRow.name, CohortRow.id
    )
    if lead_id is not None:
        query = query.where(
            exists().where(
                CohortLeadRow.cohort_id == CohortRow.id, CohortLeadRow.learner_id == lead_id
            )
        )
    return [CohortLine(*row) for row in session.execute(query)]


def is_lead(session: Session, cohort_id: UUID, learner_id: UUID) -> bool:
    """Whether somebody leads a cohort."""
    return session.get(CohortLeadRow, (cohort_id, learner_id)) is not None


def leads_any(session: Session, learner_id: UUID) -> bool:
    """Whether somebody leads a cohort that is in use."""
    found = session.scalar(
        select(CohortLeadRow.cohort_id)
        .join(CohortRow, CohortRow.id == CohortLeadRow.cohort_id)
        .where(CohortLeadRow.learner_id == learner_id, CohortRow.archived_at.is_(None))
        .limit(1)
    )
    return found is not None


def leads(session: Session, cohort_id: UUID) -> Sequence[LeadLine]:
    """Return who leads a cohort, longest first."""
    rows = session.execute(
        select(CohortLeadRow.learner_id, AccountRow.sign_in_name, LearnerRow.name)
        .join(LearnerRow, LearnerRow.id == CohortLeadRow.learner_id)
        .outerjoin(AccountRow, AccountRow.learner_id == CohortLeadRow.learner_id)
        .where(CohortLeadRow.cohort_id == cohort_id)
        .order_by(CohortLeadRow.since, AccountRow.sign_in_name)
    )
    return [LeadLine(*row) for row in rows]


def remove_lead(session: Session, cohort_id: UUID, learner_id: UUID) -> bool:
    """Make somebody lead a cohort no longer; False when they did not."""
    gone = session.execute(
        delete(CohortLeadRow)
        .where(CohortLeadRow.cohort_id == cohort_id, CohortLeadRow.learner_id == learner_id)
        .returning(CohortLeadRow.learner_id)
    ).first()
    return gone is not None


def member(session: Session, cohort_id: UUID, learner_id: UUID) -> CohortMemberRow | None:
    """Return somebody's membership of a cohort, or None."""
    return session.get(CohortMemberRow, (cohort_id, learner_id))


def members(
    session: Session, cohort_id: UUID, learner_id: UUID | None = None
) -> Sequence[MemberLine]:
    """Return the learners of a cohort, or the one asked for, by name."""
    query = (
        select(
            CohortMemberRow.learner_id,
            LearnerRow.name,
            AccountRow.sign_in_name,
            CohortMemberRow.group_name,
            CohortMemberRow.joined_at,
        )
        .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
        .outerjoin(AccountRow, AccountRow.learner_id == LearnerRow.id)
        .where(CohortMemberRow.cohort_id == cohort_id)
        .order_by(func.lower(LearnerRow.name), CohortMemberRow.learner_id)
    )
    if learner_id is not None:
        query = query.where(CohortMemberRow.learner_id == learner_id)
    return [MemberLine(*row) for row in session.execute(query)]


def size(session: Session, cohort_id: UUID) -> int:
    """Return the number of a cohort's learners."""
    query = select(func.count()).where(CohortMemberRow.cohort_id == cohort_id)
    return session.scalar(query) or 0


def memberships(session: Session, learner_id: UUID) -> Sequence[Membership]:
    """Return the cohorts that somebody learns in, in use first, then by name."""
    rows = session.execute(
        select(CohortRow, CohortMemberRow)
        .join(CohortMemberRow, CohortMemberRow.cohort_id == CohortRow.id)
        .where(CohortMemberRow.learner_id == learner_id)
        .order_by(CohortRow.archived_at.is_not(None), CohortRow.name, CohortRow.id)
    )
    return [Membership(*row) for row in rows]


def remove_member(session: Session, cohort_id: UUID, learner_id: UUID) -> bool:
    """Take somebody out of a cohort; their place is free again. False when they were not in it."""
    session.execute(
        update(CohortPlaceRow)
        .where(CohortPlaceRow.cohort_id == cohort_id, CohortPlaceRow.learner_id == learner_id)
        .values(learner_id=None)
    )
    gone = session.execute(
        delete(CohortMemberRow)
        .where(CohortMemberRow.cohort_id == cohort_id, CohortMemberRow.learner_id == learner_id)
        .returning(CohortMemberRow.learner_id)
    ).first()
    return gone is not None


def groups(session: Session, cohort_id: UUID) -> Sequence[str]:
    """Return the names of a cohort's groups that have learners or places, in order."""
    named = (
        select(CohortMemberRow.group_name)
        .where(CohortMemberRow.cohort_id == cohort_id, CohortMemberRow.group_name != "")
        .union(
            select(CohortPlaceRow.group_name).where(
                CohortPlaceRow.cohort_id == cohort_id, CohortPlaceRow.group_name != ""
            )
        )
        .subquery()
    )
    return session.scalars(select(named.c.group_name).order_by(named.c.group_name)).all()


def move_with(
    session: Session,
    cohort_id: UUID,
    *,
    rotation: tuple[date | None, date | None] | None = None,
    goal: tuple[int | None, int] | None = None,
) -> None:
    """Move along the learners who still have what the cohort had; who chose otherwise stays.

    Parameters
    ----------
    rotation : the rotation date until now and from now on; None leaves it.
    goal : days a week until now and from now on; None leaves it.
    """
    members = select(CohortMemberRow.learner_id).where(CohortMemberRow.cohort_id == cohort_id)
    if rotation is not None:
        before, after = rotation
        same = (
            LearnerRow.rotation_on.is_(None) if before is None else LearnerRow.rotation_on == before
        )
        session.execute(
            update(LearnerRow).where(LearnerRow.id.in_(members), same).values(rotation_on=after)
        )
    if goal is not None:
        days, now = goal
        query = update(LearnerRow).where(LearnerRow.id.in_(members))
        if days is not None:
            query = query.where(LearnerRow.weekly_goal_days == days)
        session.execute(query.values(weekly_goal_days=now))
    session.expire_all()


def left_out(session: Session, learner_id: UUID) -> frozenset[str]:
    """Return the cards that every cohort of a learner, not archived, leaves out."""
    lists: Sequence[Collection[Any]] = session.scalars(
        select(CohortRow.left_out)
        .join(CohortMemberRow, CohortMemberRow.cohort_id == CohortRow.id)
        .where(CohortMemberRow.learner_id == learner_id, CohortRow.archived_at.is_(None))
    ).all()
    if not lists:
        return frozenset()
    return frozenset.intersection(*(frozenset(one) for one in lists))


def places(session: Session, cohort_id: UUID) -> Sequence[CohortPlaceRow]:
    """Return all places of a cohort, taken or not."""
    return session.scalars(
        select(CohortPlaceRow).where(CohortPlaceRow.cohort_id == cohort_id)
    ).all()


def drop_place(session: Session, cohort_id: UUID, place_id: UUID) -> None:
    """Delete a place that nobody has taken."""
    session.execute(
        delete(CohortPlaceRow).where(
            CohortPlaceRow.id == place_id,
            CohortPlaceRow.cohort_id == cohort_id,
            CohortPlaceRow.learner_id.is_(None),
        )
    )


def open_places(session: Session, cohort_id: UUID) -> Sequence[PlaceLine]:
    """Return the places that nobody has taken yet, by group and name."""
    rows = session.execute(
        select(
            CohortPlaceRow.id, CohortPlaceRow.name, CohortPlaceRow.group_name, CohortPlaceRow.code
        )
        .where(CohortPlaceRow.cohort_id == cohort_id, CohortPlaceRow.learner_id.is_(None))
        .order_by(CohortPlaceRow.group_name, CohortPlaceRow.name_key)
    )
    return [PlaceLine(*row) for row in rows]
