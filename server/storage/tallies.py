"""The sums kept with every answer, in the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.measurement.ladder import UNDECIDED, Ladder
from server.storage.models import ConfusionTallyRow, FindingTallyRow, PracticeDayRow

COLUMNS = {
    "hit": "hits",
    "miss": "misses",
    "false-alarm": "false_alarms",
    "correct-rejection": "correct_rejections",
}

DAY_COLUMNS = ("answers", "right", "partly", "wrong", "abnormal", "visible_ms")


class Totals(NamedTuple):
    """All practice days of a learner together."""

    answers: int
    right: int
    partly: int
    wrong: int
    abnormal: int


def add_marks(session: Session, learner_id: UUID, source: str, marks: Mapping[str, str]) -> None:
    """Count the marks of one sheet. The caller holds the learner: nobody else counts meanwhile."""
    rows = {
        row.finding: row
        for row in session.scalars(
            select(FindingTallyRow).where(
                FindingTallyRow.learner_id == learner_id, FindingTallyRow.source == source
            )
        )
    }
    for finding, mark in marks.items():
        row = rows.get(finding)
        if row is None:
            row = FindingTallyRow(
                learner_id=learner_id,
                source=source,
                finding=finding,
                hits=0,
                misses=0,
                false_alarms=0,
                correct_rejections=0,
                readiness=UNDECIDED,
                ladder=[],
            )
            session.add(row)
        column = COLUMNS[mark]
        setattr(row, column, getattr(row, column) + 1)
        standing = Ladder.from_json(row.ladder).after(mark)
        row.ladder, row.readiness = standing.to_json(), standing.letters


def add_confusions(
    session: Session, learner_id: UUID, source: str, counts: Mapping[tuple[str, str], int]
) -> None:
    """Count what was taken for what on one sheet. The caller holds the learner."""
    for (truth, call), times in counts.items():
        row = session.get(ConfusionTallyRow, (learner_id, source, truth, call))
        if row is None:
            row = ConfusionTallyRow(
                learner_id=learner_id, source=source, truth=truth, call=call, times=0
            )
            session.add(row)
        row.times += times


def confusions_of(session: Session, learner_id: UUID) -> dict[tuple[str, str, str], int]:
    """Return how often a learner took what for what, by source, truth and call."""
    rows = session.scalars(
        select(ConfusionTallyRow).where(ConfusionTallyRow.learner_id == learner_id)
    )
    return {(row.source, row.truth, row.call): row.times for row in rows}


def practice_day(session: Session, learner_id: UUID, day: date) -> PracticeDayRow | None:
    """Return what a learner did on a day, or None."""
    return session.get(PracticeDayRow, (learner_id, day))


def add_answer(
    session: Session,
    learner_id: UUID,
    day: date,
    *,
    outcome: str,
    abnormal: bool,
    visible_ms: int,
) -> None:
    """Count one answer on its day. The caller holds the learner."""
    row = practice_day(session, learner_id, day)
    if row is None:
        row = PracticeDayRow(
            learner_id=learner_id,
            day=day,
            answers=0,
            right=0,
            partly=0,
            wrong=0,
            abnormal=0,
            visible_ms=0,
        )
        session.add(row)
    row.answers += 1
    row.abnormal += abnormal
    row.visible_ms += visible_ms
    setattr(row, outcome, getattr(row, outcome) + 1)


def of_learner(
    session: Session, learner_id: UUID, source: str | None = None
) -> Sequence[FindingTallyRow]:
    """Return all counts of a learner, or those on one source of pictures."""
    query = select(FindingTallyRow).where(FindingTallyRow.learner_id == learner_id)
    if source is not None:
        query = query.where(FindingTallyRow.source == source)
    return session.scalars(query).all()


def days_of(session: Session, learner_id: UUID) -> Sequence[PracticeDayRow]:
    """Return all practice days of a learner, the first one first."""
    return session.scalars(
        select(PracticeDayRow)
        .where(PracticeDayRow.learner_id == learner_id)
        .order_by(PracticeDayRow.day)
    ).all()


def days_between(
    session: Session, learner_id: UUID, first: date, last: date
) -> dict[date, PracticeDayRow]:
    """Return the practice days from ``first`` to ``last``, both included."""
    rows = session.scalars(
        select(PracticeDayRow).where(
            PracticeDayRow.learner_id == learner_id,
            PracticeDayRow.day >= first,
            PracticeDayRow.day <= last,
        )
    )
    return {row.day: row for row in rows}


def totals(session: Session, learner_id: UUID) -> Totals:
    """Return the sums over all practice days."""
    row = session.execute(
        select(
            func.coalesce(func.sum(PracticeDayRow.answers), 0),
            func.coalesce(func.sum(PracticeDayRow.right), 0),
            func.coalesce(func.sum(PracticeDayRow.partly), 0),
            func.coalesce(func.sum(PracticeDayRow.wrong), 0),
            func.coalesce(func.sum(PracticeDayRow.abnormal), 0),
        ).where(PracticeDayRow.learner_id == learner_id)
    ).one()
    return Totals(*(int(value) for value in row))
