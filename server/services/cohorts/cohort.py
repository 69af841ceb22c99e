"""A cohort: made by a lead, and what it asks of its learners."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput, NotAllowed, NotFound
from server.measurement.ladder import LEVEL, LEVELS
from server.rendering.eye import FINDINGS
from server.services.accounts.roles import Role, role_of
from server.services.cohorts.codes import new_code
from server.services.learners import FURTHEST_ROTATION_DAYS
from server.storage import audit, cards
from server.storage import cohorts as rows
from server.storage.models import CohortLeadRow, CohortRow

LONGEST_NAME = 80


@dataclass(frozen=True)
class Cohort:
    """A course's learners and what is asked of them.

    Parameters
    ----------
    standards : level in per cent, for every finding.
    left_out : ids of cards that its learners are not given.
    invented : a demonstration: nobody in it is real.
    """

    id: UUID
    name: str
    created_at: datetime
    archived_at: datetime | None
    join_code: str
    rotation_on: date | None
    weekly_goal_days: int | None
    standards: Mapping[str, int]
    left_out: frozenset[str]
    invented: bool


@dataclass(frozen=True)
class CohortChange:
    """All that a cohort's settings hold, as they are to be."""

    name: str
    rotation_on: date | None = None
    weekly_goal_days: int | None = None
    standards: Mapping[str, int] = field(default_factory=dict)
    """Findings that are not named have the program's own level."""
    cards_given: Collection[str] | None = None
    """Ids of the cards with a finding or a look-alike that stay in; None leaves all as it is."""


@dataclass(frozen=True)
class CardChoice:
    """A card that a cohort may leave out."""

    id: str
    title: str
    finding: str
    """What it is about, or resembles."""
    look_alike: bool


@dataclass(frozen=True)
class LedCohort:
    """A cohort in its lead's list."""

    cohort: Cohort
    learners: int


def make(session: Session, lead_id: UUID, name: str, now: datetime) -> Cohort:
    """Make a cohort, led by whoever makes it.

    Raises
    ------
    NotAllowed : they are no lead.
    BadInput : the name is empty or too long.
    """
    if role_of(session, lead_id) not in (Role.LEAD, Role.ADMINISTRATOR):
        raise NotAllowed("Only a lead may make a cohort: an administrator can make you one.")
    row = CohortRow(
        id=uuid4(),
        name=checked_name(name),
        created_at=now,
        archived_at=None,
        join_code=new_code(session),
        rotation_on=None,
        weekly_goal_days=None,
        standards={},
        left_out=[],
        invented=False,
    )
    session.add(row)
    session.flush()
    session.add(CohortLeadRow(cohort_id=row.id, learner_id=lead_id, since=now))
    audit.add(session, "cohort-made", now, actor_id=lead_id, subject_id=None, cohort_id=row.id)
    return as_cohort(row)


def led(session: Session, asker_id: UUID, cohort_id: UUID) -> Cohort:
    """Return a cohort to somebody who leads it, or administers the site.

    Raises
    ------
    NotFound : there is none, or it is none of theirs.
    """
    row = rows.get(session, cohort_id)
    mine = row is not None and (
        rows.is_lead(session, cohort_id, asker_id)
        or role_of(session, asker_id) is Role.ADMINISTRATOR
    )
    if row is None or not mine:
        raise NotFound("There is no such cohort, or you do not lead it.")
    return as_cohort(row)


def all_led(session: Session, asker_id: UUID) -> Sequence[LedCohort]:
    """Return the cohorts that somebody leads; an administrator sees all."""
    everybody = role_of(session, asker_id) is Role.ADMINISTRATOR
    return [
        LedCohort(as_cohort(line.cohort), line.learners)
        for line in rows.led(session, None if everybody else asker_id)
    ]


def led_in_use(session: Session, learner_id: UUID) -> Sequence[LedCohort]:
    """Return the cohorts in use of which somebody is a lead themselves, by name."""
    return [
        LedCohort(as_cohort(line.cohort), line.learners)
        for line in rows.led(session, learner_id)
        if line.cohort.archived_at is None
    ]


def change(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    wanted: CohortChange,
    now: datetime,
) -> Cohort:
    """Store a cohort's settings; learners who still had its old date and goal move along.

    Raises
    ------
    NotFound : it is none of the asker's.
    BadInput : a name, date, goal, level or choice of cards that cannot be.
    """
    before = led(session, asker_id, cohort_id)
    row = held(session, cohort_id)
    row.name = checked_name(wanted.name)
    if wanted.rotation_on != before.rotation_on:
        row.rotation_on = _checked_rotation(wanted.rotation_on, now)
        rows.move_with(session, cohort_id, rotation=(before.rotation_on, wanted.rotation_on))
    if wanted.weekly_goal_days != before.weekly_goal_days:
        row.weekly_goal_days = _checked_goal(wanted.weekly_goal_days)
        if row.weekly_goal_days is not None:
            rows.move_with(session, cohort_id, goal=(before.weekly_goal_days, row.weekly_goal_days))
    row.standards = _checked_standards(wanted.standards)
    if wanted.cards_given is not None:
        row.left_out = _left_out(session, wanted.cards_given)
    session.flush()
    audit.add(
        session, "cohort-changed", now, actor_id=asker_id, subject_id=None, cohort_id=cohort_id
    )
    return as_cohort(row)


def replace_code(session: Session, asker_id: UUID, cohort_id: UUID, now: datetime) -> Cohort:
    """Give a cohort another code; the old one joins nothing from now on."""
    led(session, asker_id, cohort_id)
    row = held(session, cohort_id)
    row.join_code = new_code(session)
    session.flush()
    audit.add(session, "cohort-code", now, actor_id=asker_id, subject_id=None, cohort_id=cohort_id)
    return as_cohort(row)


def archive(
    session: Session, asker_id: UUID, cohort_id: UUID, now: datetime, *, archived: bool
) -> Cohort:
    """Put a cohort away, or take it out again; doing so twice changes nothing.

    Nobody can join an archived cohort, its leads can no longer help its learners
    with their accounts, and it asks nothing of them any more. Nothing is deleted.
    """
    before = led(session, asker_id, cohort_id)
    if (before.archived_at is not None) == archived:
        return before
    row = held(session, cohort_id)
    row.archived_at = now if archived else None
    session.flush()
    act = "cohort-archived" if archived else "cohort-restored"
    audit.add(session, act, now, actor_id=asker_id, subject_id=None, cohort_id=cohort_id)
    return as_cohort(row)


def card_choices(session: Session) -> Sequence[CardChoice]:
    """Return the cards that a cohort may leave out, in the order of the curriculum.

    Normal eyes always stay in: without them nobody learns to leave a fundus alone.
    """
    return [
        CardChoice(card.id, card.title, card.finding or card.mimics or "", card.finding is None)
        for card, _ in cards.current(session)
        if card.finding or card.mimics
    ]


def held(session: Session, cohort_id: UUID) -> CohortRow:
    """Hold a cohort until the transaction ends, so that changes to it take turns."""
    row = rows.hold(session, cohort_id)
    if row is None:
        raise NotFound("There is no such cohort any more.")
    return row


def as_cohort(row: CohortRow) -> Cohort:
    """Return a row as the rest of the program knows it."""
    return Cohort(
        id=row.id,
        name=row.name,
        created_at=row.created_at,
        archived_at=row.archived_at,
        join_code=row.join_code,
        rotation_on=row.rotation_on,
        weekly_goal_days=row.weekly_goal_days,
        standards={name: int(row.standards.get(name, LEVEL)) for name in FINDINGS},
        left_out=frozenset(row.left_out),
        invented=row.invented,
    )


def checked_name(name: str) -> str:
    """Return a cohort's name as it is kept.

    Raises
    ------
    BadInput : it is empty, too long, or cannot be printed.
    """
    tidy = " ".join(name.split())
    if not tidy or len(tidy) > LONGEST_NAME or not tidy.isprintable():
        raise BadInput(f"A cohort's name has 1 to {LONGEST_NAME} characters, such as Year 4, 2027.")
    return tidy


def _checked_rotation(day: date | None, now: datetime) -> date | None:
    if day is None:
        return None
    # Learners may be a day ahead of or behind UTC: one day's grace on either side.
    today = now.date()
    if day < today:
        raise BadInput("The rotation date must lie ahead; leave it empty without one.")
    if day - today > timedelta(days=FURTHEST_ROTATION_DAYS):
        raise BadInput(f"The rotation date must lie within three years; check the year {day:%Y}.")
    return day


def _checked_goal(days: int | None) -> int | None:
    if days is not None and not 1 <= days <= 7:
        raise BadInput(f"The weekly goal must be from 1 to 7 days, not {days}.")
    return days


def _checked_standards(levels: Mapping[str, int]) -> dict[str, int]:
    for finding, level in levels.items():
        if finding not in FINDINGS:
            raise BadInput(f"There is no finding {finding!r}.")
        if level not in LEVELS:
            allowed = ", ".join(str(one) for one in LEVELS)
            raise BadInput(f"A standard must be one of {allowed} per cent, not {level}.")
    return {finding: level for finding, level in levels.items() if level != LEVEL}


def _left_out(session: Session, given: Collection[str]) -> list[str]:
    choices = card_choices(session)
    if not any(one.id in given and not one.look_alike for one in choices):
        raise BadInput("Leave at least one kind of eye with a finding in.")
    return sorted(one.id for one in choices if one.id not in given)
