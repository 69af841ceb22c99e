"""Joining a cohort knowingly, seeing who sees what, and leaving again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, NotFound
from server.services.cohorts.codes import tidy_code
from server.services.cohorts.cohort import Cohort, as_cohort
from server.services.learners import Learner, SettingsChange, update_settings
from server.services.study.rounds import hold
from server.storage import audit
from server.storage import cohorts as rows
from server.storage.models import CohortMemberRow, CohortPlaceRow


@dataclass(frozen=True)
class Invitation:
    """What a code leads to."""

    cohort: Cohort
    leads: tuple[str, ...]
    code: str
    name: str
    """On the roster; empty for the code that everybody gets."""
    group: str


@dataclass(frozen=True)
class Joined:
    """A cohort that somebody learns in, and who sees them there."""

    cohort: Cohort
    leads: tuple[str, ...]
    group: str
    since: datetime


def invitation(session: Session, typed: str) -> Invitation:
    """Return what a code leads to. Reads only.

    Raises
    ------
    NotFound : it leads nowhere (any more).
    """
    found, place = _opened(session, typed)
    return Invitation(
        cohort=found,
        leads=lead_names(session, found.id),
        code=place.code if place else found.join_code,
        name=place.name if place else "",
        group=place.group_name if place else "",
    )


def taken_by(session: Session, typed: str, learner_id: UUID) -> Invitation | None:
    """Return a personal invitation to whoever used it; None to anybody else. Reads only."""
    place = rows.place_of_code(session, tidy_code(typed))
    row = rows.get(session, place.cohort_id) if place else None
    if place is None or row is None or place.learner_id != learner_id:
        return None
    names = lead_names(session, row.id)
    return Invitation(as_cohort(row), names, place.code, place.name, place.group_name)


def is_member(session: Session, cohort_id: UUID, learner_id: UUID) -> bool:
    """Whether somebody learns in a cohort. Reads only."""
    return rows.member(session, cohort_id, learner_id) is not None


def join(session: Session, learner: Learner, typed: str, name: str, now: datetime) -> Cohort:
    """Make somebody a learner of a cohort, which they have agreed to. Twice is once. Writes.

    The cohort's rotation date becomes theirs where they have none ahead, and
    its weekly goal becomes theirs; both stay theirs to change.

    Parameters
    ----------
    name : to be called by; empty takes the one on the roster or the one they have.

    Raises
    ------
    NotFound : the code leads nowhere (any more), or its place was taken by somebody else.
    BadInput : they have no name to be called by and gave none.
    """
    hold(session, learner)
    found, place = _opened(session, typed, for_learner=learner.id)
    called = name.strip() or (place.name if place else "") or learner.name
    if not called:
        raise BadInput("Write the name that your leads know you by.")
    if rows.member(session, found.id, learner.id) is None:
        session.add(
            CohortMemberRow(
                cohort_id=found.id,
                learner_id=learner.id,
                joined_at=now,
                group_name=place.group_name if place else "",
            )
        )
    if place is not None:
        place.learner_id = learner.id
    session.flush()
    has_date = learner.rotation_on is not None and learner.rotation_on >= now.date()
    change = SettingsChange(
        name=called,
        weekly_goal_days=found.weekly_goal_days,
        rotation_on=learner.rotation_on if has_date else found.rotation_on,
    )
    update_settings(session, learner, change)
    return found


def joined(session: Session, learner_id: UUID) -> Sequence[Joined]:
    """Return the cohorts that somebody learns in. Reads only."""
    return [
        Joined(
            cohort=as_cohort(one.cohort),
            leads=lead_names(session, one.cohort.id),
            group=one.member.group_name,
            since=one.member.joined_at,
        )
        for one in rows.memberships(session, learner_id)
    ]


def leave(session: Session, learner: Learner, cohort_id: UUID) -> None:
    """Take oneself out of a cohort: its leads see nothing of them from now on. Writes.

    Raises
    ------
    NotFound : they are not in it (any more).
    """
    hold(session, learner)
    if not rows.remove_member(session, cohort_id, learner.id):
        raise NotFound("You are not in this cohort (any more).")


def remove(
    session: Session, lead_id: UUID, cohort_id: UUID, learner_id: UUID, now: datetime
) -> None:
    """Take a learner out of a cohort, as its lead; doing so twice is no error. Writes."""
    if rows.remove_member(session, cohort_id, learner_id):
        audit.add(
            session,
            "cohort-learner-removed",
            now,
            actor_id=lead_id,
            subject_id=learner_id,
            cohort_id=cohort_id,
        )


def lead_names(session: Session, cohort_id: UUID) -> tuple[str, ...]:
    """Return what the leads of a cohort are called, longest-serving first."""
    return tuple(one.name or one.sign_in_name or "" for one in rows.leads(session, cohort_id))


def date_on_joining(learner: Learner | None, found: Cohort, today: date) -> date | None:
    """Return the rotation date that joining would give somebody; None when it changes nothing."""
    if found.rotation_on is None or found.rotation_on < today:
        return None
    if learner is not None and learner.rotation_on is not None and learner.rotation_on >= today:
        return None
    return found.rotation_on


def _opened(
    session: Session, typed: str, for_learner: UUID | None = None
) -> tuple[Cohort, CohortPlaceRow | None]:
    code = tidy_code(typed)
    place = rows.place_of_code(session, code)
    if place is not None and place.learner_id not in (None, for_learner):
        raise NotFound(
            "This personal code has been used. If it was not you, ask your lead for another."
        )
    row = rows.get(session, place.cohort_id) if place else rows.of_code(session, code)
    if row is None or row.archived_at is not None:
        raise NotFound(
            "This code leads to no cohort (any more): check it, or ask whoever gave it to you."
        )
    return as_cohort(row), place
