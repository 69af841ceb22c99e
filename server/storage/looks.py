"""Looks in the database."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, and_, exists, func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    AnswerRow,
    CardRow,
    CardVersionRow,
    EyeRow,
    LookRow,
    RoundItemRow,
    WideEyeRow,
)


class ShownLook(NamedTuple):
    """A look with everything its page needs."""

    look: LookRow
    item: RoundItemRow
    eye: EyeRow
    version: CardVersionRow
    card: CardRow
    answer: AnswerRow | None
    wide: WideEyeRow | None
    """The eye as the bedside view shows it; None for a photograph."""

    @property
    def truth(self) -> dict[str, Any]:
        """What is there to be seen in this look's view."""
        return self.eye.truth if self.wide is None else self.wide.truth

    @property
    def source(self) -> str:
        """Of what its marks are counted with."""
        return source_of(self.eye, self.look)


BEDSIDE = "bedside"
"""The source of pictures under which looks at the bedside are counted, apart from the rest."""


def source_of(eye: EyeRow, look: LookRow) -> str:
    """Return the source of pictures that a look's marks are counted with."""
    return eye.source if look.stage is None else BEDSIDE


def wide_of_look() -> ColumnElement[bool]:
    """Return the condition that joins a look at the bedside to its wide eye."""
    return and_(WideEyeRow.eye_id == LookRow.eye_id, LookRow.stage.is_not(None))


def get(session: Session, learner_id: UUID, look_id: UUID) -> ShownLook | None:
    """Return a look of this learner with its eye, card and answer, or None."""
    row = session.execute(
        select(LookRow, RoundItemRow, EyeRow, CardVersionRow, CardRow, AnswerRow, WideEyeRow)
        .join(RoundItemRow, RoundItemRow.id == LookRow.round_item_id)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(CardVersionRow, CardVersionRow.id == LookRow.card_version_id)
        .join(CardRow, CardRow.id == CardVersionRow.card_id)
        .outerjoin(AnswerRow, AnswerRow.look_id == LookRow.id)
        .outerjoin(WideEyeRow, wide_of_look())
        .where(LookRow.id == look_id, LookRow.learner_id == learner_id)
    ).one_or_none()
    return None if row is None else ShownLook(*row)


def unanswered(session: Session, round_id: UUID) -> LookRow | None:
    """Return the look of a round that waits for its answer, or None."""
    return session.scalar(
        select(LookRow)
        .where(LookRow.round_id == round_id, ~exists().where(AnswerRow.look_id == LookRow.id))
        .order_by(LookRow.position)
        .limit(1)
    )


def count(session: Session, round_id: UUID) -> int:
    """Return the number of looks of a round."""
    return session.scalar(select(func.count()).where(LookRow.round_id == round_id)) or 0


def last_findings(session: Session, round_id: UUID, at_most: int) -> list[str | None]:
    """Return what the cards of the latest looks are about, oldest first."""
    findings: Sequence[str | None] = session.scalars(
        select(CardRow.finding)
        .join(RoundItemRow, RoundItemRow.card_id == CardRow.id)
        .join(LookRow, LookRow.round_item_id == RoundItemRow.id)
        .where(LookRow.round_id == round_id)
        .order_by(LookRow.position.desc())
        .limit(at_most)
    ).all()
    return list(reversed(findings))


def latest_answered(
    session: Session,
    learner_id: UUID,
    before_ordinal: int,
    *,
    finding: str | None = None,
    mimics: str | None = None,
) -> tuple[EyeRow, CardVersionRow] | None:
    """Return the last eye answered earlier whose card is about, or resembles, a finding."""
    query = (
        select(EyeRow, CardVersionRow)
        .join(LookRow, LookRow.eye_id == EyeRow.id)
        .join(AnswerRow, AnswerRow.look_id == LookRow.id)
        .join(CardVersionRow, CardVersionRow.id == LookRow.card_version_id)
        .join(CardRow, CardRow.id == EyeRow.card_id)
        .where(AnswerRow.learner_id == learner_id, AnswerRow.ordinal < before_ordinal)
        .order_by(AnswerRow.ordinal.desc())
        .limit(1)
    )
    if finding is not None:
        query = query.where(CardRow.finding == finding)
    if mimics is not None:
        query = query.where(CardRow.mimics == mimics)
    row = session.execute(query).one_or_none()
    return None if row is None else (row[0], row[1])
