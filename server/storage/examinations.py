"""Looks at the bedside and what was looked at in them, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.models import AnswerRow, ExaminationRow, LookRow


class BedsideAnswer(NamedTuple):
    """How one look at the bedside ended."""

    stage: int | None
    outcome: str
    marks: dict[str, str]
    examination: ExaminationRow | None

    @property
    def abnormal(self) -> bool:
        """Whether a finding was there to be seen."""
        return any(mark in ("hit", "miss") for mark in self.marks.values())


def get(session: Session, answer_id: UUID) -> ExaminationRow | None:
    """Return what was looked at before an answer was given, or None."""
    return session.get(ExaminationRow, answer_id)


def stages(session: Session, learner_id: UUID, at_most: int) -> list[tuple[int, bool]]:
    """Return stage and success of the learner's latest looks at the bedside, oldest first."""
    rows = session.execute(
        select(LookRow.stage, AnswerRow.outcome)
        .join(AnswerRow, AnswerRow.look_id == LookRow.id)
        .where(AnswerRow.learner_id == learner_id, LookRow.stage.is_not(None))
        .order_by(AnswerRow.ordinal.desc())
        .limit(at_most)
    ).all()
    return [(stage or 1, outcome == "right") for stage, outcome in reversed(rows)]


def of_learner(session: Session, learner_id: UUID) -> Sequence[BedsideAnswer]:
    """Return all looks at the bedside that a learner answered, oldest first."""
    rows = session.execute(
        select(LookRow.stage, AnswerRow.outcome, AnswerRow.marks, ExaminationRow)
        .join(AnswerRow, AnswerRow.look_id == LookRow.id)
        .outerjoin(ExaminationRow, ExaminationRow.answer_id == AnswerRow.id)
        .where(AnswerRow.learner_id == learner_id, LookRow.stage.is_not(None))
        .order_by(AnswerRow.ordinal)
    )
    return [BedsideAnswer(*row) for row in rows]
