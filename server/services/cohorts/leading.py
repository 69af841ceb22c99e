"""Who leads: appointed by an administrator, and several leads to a cohort."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.identity.names import key_of
from server.services.cohorts.cohort import held, led
from server.storage import accounts, audit
from server.storage import cohorts as rows
from server.storage.cohorts import LeadLine
from server.storage.models import CohortLeadRow

LONGEST_GROUP = 40


def appoint(
    session: Session, administrator_id: UUID, learner_id: UUID, now: datetime, *, lead: bool
) -> None:
    """Let somebody make cohorts, or no longer; what they lead already stays theirs.

    Raises
    ------
    NotFound : there is no such account.
    """
    account = accounts.get(session, learner_id)
    if account is None:
        raise NotFound("There is no such account (any more).")
    if account.lead == lead:
        return
    account.lead = lead
    session.flush()
    act = "lead-appointed" if lead else "lead-dismissed"
    audit.add(session, act, now, actor_id=administrator_id, subject_id=learner_id)


def leads_of(session: Session, cohort_id: UUID) -> Sequence[LeadLine]:
    """Return who leads a cohort."""
    return rows.leads(session, cohort_id)


def add_lead(
    session: Session, asker_id: UUID, cohort_id: UUID, sign_in_name: str, now: datetime
) -> None:
    """Have somebody with an account lead a cohort too; who does already stays.

    Raises
    ------
    NotFound : the cohort is none of the asker's.
    BadInput : nobody signs in under this name.
    """
    led(session, asker_id, cohort_id)
    held(session, cohort_id)
    account = accounts.of_key(session, key_of(sign_in_name))
    if account is None:
        raise BadInput("Nobody signs in under this name: ask them how it is written.")
    if rows.is_lead(session, cohort_id, account.learner_id):
        return
    session.add(CohortLeadRow(cohort_id=cohort_id, learner_id=account.learner_id, since=now))
    session.flush()
    audit.add(
        session,
        "cohort-lead-added",
        now,
        actor_id=asker_id,
        subject_id=account.learner_id,
        cohort_id=cohort_id,
    )


def remove_lead(
    session: Session, asker_id: UUID, cohort_id: UUID, lead_id: UUID, now: datetime
) -> None:
    """Have somebody lead a cohort no longer; the last one stays.

    Raises
    ------
    NotFound : the cohort is none of the asker's.
    Conflict : nobody would lead it.
    """
    led(session, asker_id, cohort_id)
    held(session, cohort_id)
    if not rows.is_lead(session, cohort_id, lead_id):
        return
    if len(rows.leads(session, cohort_id)) == 1:
        raise Conflict("A cohort needs a lead: add another one first.")
    rows.remove_lead(session, cohort_id, lead_id)
    audit.add(
        session,
        "cohort-lead-removed",
        now,
        actor_id=asker_id,
        subject_id=lead_id,
        cohort_id=cohort_id,
    )


def set_group(session: Session, cohort_id: UUID, learner_id: UUID, group: str) -> None:
    """Sort a learner of a cohort into a group; an empty name into none.

    Raises
    ------
    NotFound : they are not in the cohort.
    BadInput : the name is too long.
    """
    member = rows.member(session, cohort_id, learner_id)
    if member is None:
        raise NotFound("This learner is not in the cohort (any more).")
    member.group_name = checked_group(group)
    session.flush()


def checked_group(group: str) -> str:
    """Return a group's name as it is kept; empty for none."""
    tidy = " ".join(group.split())
    if len(tidy) > LONGEST_GROUP or not tidy.isprintable():
        raise BadInput(f"A group's name has at most {LONGEST_GROUP} characters.")
    return tidy
