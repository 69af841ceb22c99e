"""A cohort's figures in the database: from sums kept with every answer, never from the answers."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, and_, case, exists, func, literal, or_, select, type_coerce
from sqlalchemy.orm import InstrumentedAttribute, Session

from server.measurement.ladder import LEVELS
from server.storage.models import (
    AccountRow,
    CohortMemberRow,
    CohortPlaceRow,
    ConfusionTallyRow,
    FindingTallyRow,
    LearnerRow,
    PracticeDayRow,
)

NEVER = date(1, 1, 1)
FAR_OFF = date(9999, 12, 31)


class LearnerFigures(NamedTuple):
    """One learner's row."""

    learner_id: UUID
    name: str
    sign_in_name: str | None
    group_name: str
    joined_at: datetime
    rotation_on: date | None
    last_on: date | None
    """Their latest day of practice."""
    days: int
    visible_ms: int
    key: Any
    """What the rows are sorted by."""


class FindingSums(NamedTuple):
    """One finding over a cohort."""

    finding: str
    hits: int
    misses: int
    false_alarms: int
    correct_rejections: int
    ready: int
    not_yet: int


class FindingLetters(NamedTuple):
    """Readiness of one learner at one finding, at every level."""

    learner_id: UUID
    finding: str
    letters: str


def in_cohort(cohort_id: UUID, group: str | None) -> ColumnElement[bool]:
    """Return the condition that a member is of a cohort, and of a group unless it is None."""
    of_cohort = CohortMemberRow.cohort_id == cohort_id
    return of_cohort if group is None else and_(of_cohort, CohortMemberRow.group_name == group)


def _last_on(learner: InstrumentedAttribute[UUID]) -> ColumnElement[Any]:
    return (
        select(func.max(PracticeDayRow.day))
        .where(PracticeDayRow.learner_id == learner)
        .scalar_subquery()
    )


def _since(
    learner: InstrumentedAttribute[UUID], first: date, what: ColumnElement[Any]
) -> ColumnElement[Any]:
    return (
        select(what)
        .where(PracticeDayRow.learner_id == learner, PracticeDayRow.day >= first)
        .scalar_subquery()
    )


def ready_letter(standards: Mapping[str, int]) -> ColumnElement[str]:
    """Return the letter of a finding's row at the cohort's level for it."""
    places = {finding: LEVELS.index(level) + 1 for finding, level in standards.items()}
    place = case(places, value=FindingTallyRow.finding, else_=1)
    return func.substr(FindingTallyRow.readiness, place, 1)


def learners(
    session: Session,
    cohort_id: UUID,
    *,
    standards: Mapping[str, int],
    source: str,
    first_day: date,
    sort: str,
    after: tuple[Any, UUID] | None,
    limit: int,
    group: str | None,
    beginning: str,
    quiet_before: date | None = None,
    not_ready_for: str = "",
) -> Sequence[LearnerFigures]:
    """Return a page of learners, from a place in the order on.

    Parameters
    ----------
    first_day : of the window in which days and minutes count.
    sort : 'name', 'last', 'days', 'ready' or 'rotation'; the least first.
    after : key and learner of the last row of the page before; None for the first page.
    group : of this name only; None for all.
    beginning : letters within the name or at the start of the sign-in name; empty for all.
    quiet_before : only those whose latest day of practice lies before it, or who have none.
    not_ready_for : only those who are not ready for this finding; empty for all.
    """
    own = CohortMemberRow.learner_id
    last = func.coalesce(_last_on(own), NEVER)
    days = func.coalesce(_since(own, first_day, func.count()), 0)
    ready = (
        select(func.count())
        .where(
            FindingTallyRow.learner_id == own,
            FindingTallyRow.source == source,
            ready_letter(standards) == "r",
        )
        .scalar_subquery()
    )
    keys: dict[str, ColumnElement[Any]] = {
        "name": func.lower(LearnerRow.name),
        "last": last,
        "days": days,
        "ready": ready,
        "rotation": func.coalesce(LearnerRow.rotation_on, FAR_OFF),
    }
    key = keys[sort]
    query = (
        select(
            own,
            LearnerRow.name,
            AccountRow.sign_in_name,
            CohortMemberRow.group_name,
            CohortMemberRow.joined_at,
            LearnerRow.rotation_on,
            _last_on(own),
            days,
            func.coalesce(_since(own, first_day, func.sum(PracticeDayRow.visible_ms)), 0),
            key,
        )
        .join(LearnerRow, LearnerRow.id == own)
        .outerjoin(AccountRow, AccountRow.learner_id == own)
        .where(in_cohort(cohort_id, group))
        .order_by(key, own)
        .limit(limit)
    )
    if beginning:
        query = query.where(
            or_(
                func.lower(LearnerRow.name).contains(beginning, autoescape=True),
                AccountRow.sign_in_key.startswith(beginning, autoescape=True),
            )
        )
    if quiet_before is not None:
        query = query.where(last < type_coerce(literal(quiet_before), PracticeDayRow.day.type))
    if not_ready_for:
        query = query.where(
            ~exists().where(
                FindingTallyRow.learner_id == own,
                FindingTallyRow.source == source,
                FindingTallyRow.finding == not_ready_for,
                ready_letter(standards) == "r",
            )
        )
    if after is not None:
        value, learner_id = after
        query = query.where(or_(key > value, and_(key == value, own > learner_id)))
    return [LearnerFigures(*row) for row in session.execute(query)]


def letters(
    session: Session, learner_ids: Collection[UUID], source: str
) -> Sequence[FindingLetters]:
    """Return readiness of some learners at every finding they were asked about."""
    rows = session.execute(
        select(
            FindingTallyRow.learner_id, FindingTallyRow.finding, FindingTallyRow.readiness
        ).where(FindingTallyRow.learner_id.in_(learner_ids), FindingTallyRow.source == source)
    )
    return [FindingLetters(*row) for row in rows]


def sums(
    session: Session,
    cohort_id: UUID,
    *,
    standards: Mapping[str, int],
    source: str,
    group: str | None,
) -> dict[str, FindingSums]:
    """Return each finding's judgements over the cohort, and how many learners are ready."""
    letter = ready_letter(standards)
    rows = session.execute(
        select(
            FindingTallyRow.finding,
            func.sum(FindingTallyRow.hits),
            func.sum(FindingTallyRow.misses),
            func.sum(FindingTallyRow.false_alarms),
            func.sum(FindingTallyRow.correct_rejections),
            func.sum(case((letter == "r", 1), else_=0)),
            func.sum(case((letter == "n", 1), else_=0)),
        )
        .join(CohortMemberRow, CohortMemberRow.learner_id == FindingTallyRow.learner_id)
        .where(in_cohort(cohort_id, group), FindingTallyRow.source == source)
        .group_by(FindingTallyRow.finding)
    )
    return {row[0]: FindingSums(row[0], *(int(value) for value in row[1:])) for row in rows}


def confusions(
    session: Session, cohort_id: UUID, *, source: str, group: str | None
) -> dict[tuple[str, str], int]:
    """Return how often what was taken for what over the cohort, by truth and call."""
    rows = session.execute(
        select(ConfusionTallyRow.truth, ConfusionTallyRow.call, func.sum(ConfusionTallyRow.times))
        .join(CohortMemberRow, CohortMemberRow.learner_id == ConfusionTallyRow.learner_id)
        .where(in_cohort(cohort_id, group), ConfusionTallyRow.source == source)
        .group_by(ConfusionTallyRow.truth, ConfusionTallyRow.call)
    )
    return {(truth, call): int(times) for truth, call, times in rows}


class Quiet(NamedTuple):
    """Somebody who has not practised for a while."""

    learner_id: UUID
    name: str
    last_on: date | None


def quiet(
    session: Session,
    cohort_id: UUID,
    *,
    before: date,
    joined_before: datetime,
    group: str | None,
    limit: int,
) -> Sequence[Quiet]:
    """Return who has not practised since a day and was there by then, longest away first."""
    last = _last_on(CohortMemberRow.learner_id)
    key = func.coalesce(last, NEVER)
    rows = session.execute(
        select(CohortMemberRow.learner_id, LearnerRow.name, last)
        .join(LearnerRow, LearnerRow.id == CohortMemberRow.learner_id)
        .where(
            in_cohort(cohort_id, group),
            CohortMemberRow.joined_at < joined_before,
            key < type_coerce(literal(before), PracticeDayRow.day.type),
        )
        .order_by(key, func.lower(LearnerRow.name))
        .limit(limit)
    )
    return [Quiet(*row) for row in rows]


def practised_count(session: Session, cohort_id: UUID, first: date, last: date) -> int:
    """Return how many learners of a cohort practised on any of these days."""
    query = (
        select(func.count(func.distinct(PracticeDayRow.learner_id)))
        .join(CohortMemberRow, CohortMemberRow.learner_id == PracticeDayRow.learner_id)
        .where(
            CohortMemberRow.cohort_id == cohort_id,
            PracticeDayRow.day >= first,
            PracticeDayRow.day <= last,
        )
    )
    return session.scalar(query) or 0


def open_place_count(session: Session, cohort_id: UUID) -> int:
    """Return how many places of the roster nobody has taken."""
    query = select(func.count()).where(
        CohortPlaceRow.cohort_id == cohort_id, CohortPlaceRow.learner_id.is_(None)
    )
    return session.scalar(query) or 0
