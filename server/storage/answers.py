"""Answers in the database."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.looks import source_of, wide_of_look
from server.storage.models import (
    AnswerRow,
    CardVersionRow,
    EyeRow,
    LookRow,
    RoundItemRow,
    WideEyeRow,
)


class GivenAnswer(NamedTuple):
    """An answer with what it answered."""

    answer: AnswerRow
    look: LookRow
    eye: EyeRow
    version: CardVersionRow
    wide: WideEyeRow | None
    """The eye as the bedside view showed it; None for a photograph."""

    @property
    def truth(self) -> dict[str, Any]:
        """What there was to be seen in the view it was looked at in."""
        return self.eye.truth if self.wide is None else self.wide.truth

    @property
    def source(self) -> str:
        """Of what its marks are counted with."""
        return source_of(self.eye, self.look)


def get(session: Session, answer_id: UUID) -> AnswerRow | None:
    """Return an answer by the id its device made, or None."""
    return session.get(AnswerRow, answer_id)


def usual_milliseconds(
    session: Session, learner_id: UUID, before_ordinal: int, at_most: int
) -> list[int]:
    """Return the usable times of the learner's latest right answers, oldest first."""
    times = session.scalars(
        select(AnswerRow.usable_ms)
        .where(
            AnswerRow.learner_id == learner_id,
            AnswerRow.ordinal < before_ordinal,
            AnswerRow.outcome == "right",
            AnswerRow.usable_ms.is_not(None),
        )
        .order_by(AnswerRow.ordinal.desc())
        .limit(at_most)
    ).all()
    return [time for time in reversed(times) if time is not None]


def of_round(session: Session, round_id: UUID) -> Sequence[GivenAnswer]:
    """Return the answers of a round in the order they were given."""
    rows = session.execute(
        select(AnswerRow, LookRow, EyeRow, CardVersionRow, WideEyeRow)
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardVersionRow, CardVersionRow.id == LookRow.card_version_id)
        .outerjoin(WideEyeRow, wide_of_look())
        .join(RoundItemRow, RoundItemRow.id == LookRow.round_item_id)
        .where(LookRow.round_id == round_id)
        .order_by(AnswerRow.ordinal)
    )
    return [GivenAnswer(*row) for row in rows]


def history(session: Session, learner_id: UUID) -> Iterator[GivenAnswer]:
    """Yield all answers of a learner in the order they were given."""
    rows = session.execute(
        select(AnswerRow, LookRow, EyeRow, CardVersionRow, WideEyeRow)
        .join(LookRow, LookRow.id == AnswerRow.look_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardVersionRow, CardVersionRow.id == LookRow.card_version_id)
        .outerjoin(WideEyeRow, wide_of_look())
        .where(AnswerRow.learner_id == learner_id)
        .order_by(AnswerRow.ordinal)
        .execution_options(yield_per=500)
    )
    for row in rows:
        yield GivenAnswer(*row)


def learners_with_answers(session: Session) -> Sequence[UUID]:
    """Return the ids of all learners who have answered anything."""
    return session.scalars(
        select(AnswerRow.learner_id).distinct().order_by(AnswerRow.learner_id)
    ).all()
