"""Who somebody is to this site, and whose account they may help with."""

from __future__ import annotations

from enum import StrEnum
from uuid import UUID

from sqlalchemy.orm import Session

from server.storage import accounts as rows


class Role(StrEnum):
    """From least to most."""

    VISITOR = "visitor"
    GUEST = "guest"
    LEARNER = "learner"
    """Has an account."""
    LEAD = "lead"
    """Leads at least one cohort, or was appointed to; sees only their own learners."""
    ADMINISTRATOR = "administrator"


def role_of(session: Session, learner_id: UUID | None) -> Role:
    """Return what somebody is to the whole site; a lead is one only to their cohorts."""
    if learner_id is None:
        return Role.VISITOR
    account = rows.get(session, learner_id)
    if account is None:
        return Role.GUEST
    if account.administrator:
        return Role.ADMINISTRATOR
    return Role.LEAD if account.lead or rows.leads_any(session, learner_id) else Role.LEARNER


def may_help(session: Session, helper_id: UUID, learner_id: UUID) -> bool:
    """Whether somebody may give another a one-time link to their account.

    An administrator may for everybody. A lead may for the learners of their
    cohorts, but not for one who leads or administers: the link opens the
    account, so it must never lead to more than its giver has.
    """
    role = role_of(session, helper_id)
    if role is Role.ADMINISTRATOR:
        return True
    if role is not Role.LEAD or role_of(session, learner_id) is not Role.LEARNER:
        return False
    return rows.leads_somebody(session, helper_id, learner_id)
