"""Which pictures a cohort misjudged, in the database: over each learner's latest looks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import Float, case, cast, func, select
from sqlalchemy.orm import Session

from server.storage.latest_answers import joined_latest
from server.storage.models import AnswerRow, CardRow, EyeRow, LookRow


class WrongEye(NamedTuple):
    """An eye, how many learners of the cohort met it lately, and how many judged it wrongly."""

    eye_id: int
    looks: int
    wrong: int


def most_wrong(
    session: Session,
    cohort_id: UUID | None,
    *,
    latest: int,
    fewest: int,
    limit: int,
    card_id: str | None = None,
) -> Sequence[WrongEye]:
    """Return the eyes misjudged by the largest share of those who met them, worst first.

    Of one card, or (None) of all.
    """
    looks = func.count()
    wrong = func.sum(case((AnswerRow.outcome != "right", 1), else_=0))
    query = (
        joined_latest(select(LookRow.eye_id, looks, wrong), cohort_id, latest)
        .group_by(LookRow.eye_id)
        .having(looks >= fewest, wrong > 0)
        .order_by((cast(wrong, Float) / looks).desc(), looks.desc(), LookRow.eye_id)
        .limit(limit)
    )
    if card_id is not None:
        query = query.where(AnswerRow.card_id == card_id)
    rows = session.execute(query)
    return [WrongEye(eye_id, int(met), int(missed)) for eye_id, met, missed in rows]


def eyes(session: Session, eye_ids: Collection[int]) -> dict[int, tuple[EyeRow, str]]:
    """Return eyes with the titles of their cards, by id."""
    rows = session.execute(
        select(EyeRow, CardRow.title)
        .join(CardRow, CardRow.id == EyeRow.card_id)
        .where(EyeRow.id.in_(eye_ids))
    )
    return {eye.id: (eye, title) for eye, title in rows}


def slips(
    session: Session, cohort_id: UUID | None, eye_ids: Collection[int], *, latest: int
) -> dict[int, list[dict[str, str]]]:
    """Return the marks of the wrong answers that the cohort lately gave to some eyes."""
    told = select(LookRow.eye_id, AnswerRow.marks)
    rows = session.execute(
        joined_latest(told, cohort_id, latest).where(
            LookRow.eye_id.in_(eye_ids), AnswerRow.outcome != "right"
        )
    )
    found: dict[int, list[dict[str, str]]] = defaultdict(list)
    for eye_id, marks in rows:
        found[eye_id].append(marks)
    return found
