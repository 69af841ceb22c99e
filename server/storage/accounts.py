"""Accounts, and the cohorts that decide who may see whose, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy import ColumnElement, exists, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import InstrumentedAttribute, Session

from server.storage.models import (
    AccountRow,
    CohortLeadRow,
    CohortMemberRow,
    CohortRow,
    LearnerRow,
    SecondFactorRow,
)


@dataclass(frozen=True)
class Person:
    """Somebody with an account, as leads and administrators see them."""

    learner_id: UUID
    sign_in_name: str
    name: str
    administrator: bool
    lead: bool
    """Appointed to make cohorts."""
    leads: bool
    """A cohort that is not archived."""
    second_factor: bool
    """Their account asks for a code of an authenticator app."""


def get(session: Session, learner_id: UUID) -> AccountRow | None:
    """Return a learner's account, or None for a guest."""
    return session.get(AccountRow, learner_id)


def hold(session: Session, learner_id: UUID) -> None:
    """Let nobody else change a learner's account until the transaction ends."""
    session.execute(
        select(AccountRow.learner_id).where(AccountRow.learner_id == learner_id).with_for_update()
    )


def of_key(session: Session, key: str) -> AccountRow | None:
    """Return the account of a folded sign-in name, or None."""
    return session.scalar(select(AccountRow).where(AccountRow.sign_in_key == key))


def add(session: Session, row: AccountRow) -> bool:
    """Store a new account; False when somebody else has just taken its name."""
    try:
        with session.begin_nested():
            session.add(row)
            session.flush()
    except IntegrityError:
        return False
    return True


def has_administrator(session: Session) -> bool:
    """Whether anybody administers this site."""
    return bool(session.scalar(select(exists().where(AccountRow.administrator))))


def leads_any(session: Session, learner_id: UUID) -> bool:
    """Whether somebody leads a cohort that is not archived."""
    return bool(session.scalar(select(_leads(learner_id))))


def leads_only_invented(session: Session, learner_id: UUID) -> bool:
    """Whether somebody leads cohorts of the invented school, and no other."""
    led = exists().where(
        CohortLeadRow.learner_id == learner_id, CohortLeadRow.cohort_id == CohortRow.id
    )
    return bool(
        session.scalar(
            select(
                led.where(CohortRow.invented.is_(True)) & ~led.where(CohortRow.invented.is_(False))
            )
        )
    )


def leads_somebody(session: Session, lead_id: UUID, learner_id: UUID) -> bool:
    """Whether a learner belongs to a cohort, not archived, that somebody leads."""
    return bool(session.scalar(select(_leads(lead_id, CohortMemberRow.learner_id == learner_id))))


def people(
    session: Session, *, beginning: str, lead_id: UUID | None, limit: int
) -> Sequence[Person]:
    """Return accounts by name, those whose folded name begins so; with a lead, only their own.

    Parameters
    ----------
    beginning : first letters of a folded sign-in name; empty for all.
    lead_id : whose cohorts' members are wanted; None for everybody.
    limit : how many at most.
    """
    query = (
        select(
            AccountRow.learner_id,
            AccountRow.sign_in_name,
            LearnerRow.name,
            AccountRow.administrator,
            AccountRow.lead,
            _leads(AccountRow.learner_id),
            exists().where(SecondFactorRow.learner_id == AccountRow.learner_id),
        )
        .join(LearnerRow, LearnerRow.id == AccountRow.learner_id)
        .where(AccountRow.sign_in_key.startswith(beginning, autoescape=True))
        .order_by(AccountRow.sign_in_key)
        .limit(limit)
    )
    if lead_id is not None:
        is_member = CohortMemberRow.learner_id == AccountRow.learner_id
        query = query.where(_leads(lead_id, is_member))
    return [Person(*row) for row in session.execute(query)]


def _leads(
    lead: UUID | InstrumentedAttribute[UUID], *of_members: ColumnElement[bool]
) -> ColumnElement[bool]:
    """Tell in SQL whether somebody leads a cohort, not archived, with such members if any."""
    cohort = exists().where(
        CohortLeadRow.learner_id == lead,
        CohortLeadRow.cohort_id == CohortRow.id,
        CohortRow.archived_at.is_(None),
    )
    if of_members:
        cohort = cohort.where(CohortMemberRow.cohort_id == CohortRow.id, *of_members)
    return cohort
