"""A learner's judgements of photographs as measurement reads them, in order.

Looks at the bedside are measured apart (``storage/examinations.py``); only their mistakes stand
among the others, to be looked at again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import case, func, null, select
from sqlalchemy.orm import Session

from server.storage.looks import wide_of_look
from server.storage.models import (
    AnswerRow,
    CardRow,
    CardVersionRow,
    ExaminationRow,
    EyeRow,
    LookRow,
    WideEyeRow,
)


class JudgedSheet(NamedTuple):
    """One answered look: its marks and how it was answered."""

    day: date
    marks: dict[str, str]
    certainty: str | None
    outcome: str
    usable_ms: int | None
    look_alike: str | None
    """What the eye was drawn to resemble a finding with, or None."""


class JudgedSeverity(NamedTuple):
    """One judgement of a finding in an eye that has it."""

    mark: str
    measure: float
    unit: str


class Mistake(NamedTuple):
    """One misjudged look at a finding, to be looked at again.

    The picture is the one that was looked at: at the bedside the wide one. ``twin`` is empty for
    a photograph of a real eye, and both for an eye that was described and never drawn.
    """

    look_id: UUID
    day: date
    mark: str
    card_title: str
    side: str
    picture: str
    twin: str
    size_px: int
    measure: float
    unit: str
    at_the_bedside: bool
    why: str | None
    """'search' or 'recognition' where a recording tells why it was missed."""


_LOOK_ALIKE = case(
    (
        CardRow.kind == "look-alike",
        CardVersionRow.content[("card", "features", 0, "kind")].as_string(),
    ),
    else_=null(),
)


def of_learner(session: Session, learner_id: UUID, source: str) -> Sequence[JudgedSheet]:
    """Return all sheets a learner answered on one source of pictures, oldest first."""
    rows = session.execute(
        select(
            AnswerRow.local_day,
            AnswerRow.marks,
            AnswerRow.certainty,
            AnswerRow.outcome,
            AnswerRow.usable_ms,
            _LOOK_ALIKE,
        )
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardVersionRow, CardVersionRow.id == LookRow.card_version_id)
        .join(CardRow, CardRow.id == CardVersionRow.card_id)
        .where(AnswerRow.learner_id == learner_id, EyeRow.source == source, LookRow.stage.is_(None))
        .order_by(AnswerRow.ordinal)
    )
    return [JudgedSheet(*row) for row in rows]


def severities(
    session: Session, learner_id: UUID, source: str, finding: str, at_most: int
) -> Sequence[JudgedSeverity]:
    """Return the latest judgements of a finding in eyes that have it, newest first."""
    mark = AnswerRow.marks[finding].as_string()
    rows = session.execute(
        select(
            mark,
            EyeRow.truth[(finding, "measure")].as_float(),
            EyeRow.truth[(finding, "unit")].as_string(),
        )
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .where(
            AnswerRow.learner_id == learner_id,
            EyeRow.source == source,
            LookRow.stage.is_(None),
            mark.in_(("hit", "miss")),
        )
        .order_by(AnswerRow.ordinal.desc())
        .limit(at_most)
    )
    return [JudgedSeverity(*row) for row in rows]


def mistakes(session: Session, learner_id: UUID, finding: str, at_most: int) -> Sequence[Mistake]:
    """Return the latest looks at which a finding was missed or imagined, newest first."""
    mark = AnswerRow.marks[finding].as_string()
    rows = session.execute(
        select(
            LookRow.id,
            AnswerRow.local_day,
            mark,
            CardRow.title,
            EyeRow.side,
            func.coalesce(WideEyeRow.picture, EyeRow.picture),
            func.coalesce(WideEyeRow.twin, EyeRow.twin),
            func.coalesce(WideEyeRow.size_px, EyeRow.size_px),
            func.coalesce(
                WideEyeRow.truth[(finding, "measure")].as_float(),
                EyeRow.truth[(finding, "measure")].as_float(),
            ),
            func.coalesce(
                WideEyeRow.truth[(finding, "unit")].as_string(),
                EyeRow.truth[(finding, "unit")].as_string(),
            ),
            LookRow.stage.is_not(None),
            ExaminationRow.misses[finding].as_string(),
        )
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardRow, CardRow.id == AnswerRow.card_id)
        .outerjoin(WideEyeRow, wide_of_look())
        .outerjoin(ExaminationRow, ExaminationRow.answer_id == AnswerRow.id)
        .where(AnswerRow.learner_id == learner_id, mark.in_(("miss", "false-alarm")))
        .order_by(AnswerRow.ordinal.desc())
        .limit(at_most)
    )
    return [Mistake(*row) for row in rows]


def latest_marks(
    session: Session, learner_id: UUID, source: str, at_most: int
) -> Sequence[dict[str, str]]:
    """Return the marks of the latest sheets on one source of pictures, oldest first."""
    rows = session.scalars(
        select(AnswerRow.marks)
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .where(AnswerRow.learner_id == learner_id, EyeRow.source == source)
        .order_by(AnswerRow.ordinal.desc())
        .limit(at_most)
    )
    return list(rows)[::-1]
