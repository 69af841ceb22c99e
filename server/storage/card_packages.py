"""What packages ask of the cards in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from server.storage.card_drafts import OPEN
from server.storage.models import (
    AccountRow,
    CardDraftRow,
    CardPackageRow,
    CardRow,
    CardVersionRow,
    EyeRow,
    LearnerRow,
    PhotographRow,
)
from server.storage.photographs import PHOTOGRAPH


class Kept(NamedTuple):
    """A card of this site with the version in use."""

    card: CardRow
    number: int
    content: dict[str, Any]


class Here(NamedTuple):
    """A photograph of this site and the cards whose eyes show it."""

    picture: str
    original: str
    bytes: int
    cards: frozenset[str]


def school_cards(
    session: Session, card_ids: Collection[str] | None = None, *, limit: int | None = None
) -> Sequence[Kept]:
    """Return the cards that this school made or brought in, in the order of their ids.

    Parameters
    ----------
    card_ids : only these; None is all that are in use.
    limit : at most so many, the first by title.
    """
    query = (
        select(CardRow, CardVersionRow.number, CardVersionRow.content)
        .join(
            CardVersionRow,
            (CardVersionRow.card_id == CardRow.id)
            & (CardVersionRow.content_hash == CardRow.content_hash),
        )
        .where(CardRow.origin == "school")
        .order_by(CardRow.id)
    )
    if card_ids is None:
        query = query.where(CardRow.retired.is_(False))
    else:
        query = query.where(CardRow.id.in_(card_ids))
    if limit is not None:
        query = query.order_by(None).order_by(CardRow.title, CardRow.id).limit(limit)
    return [Kept(*row) for row in session.execute(query)]


def numbered(session: Session, card_id: str, number: int) -> dict[str, Any] | None:
    """Return what a card's version of this number holds, or None."""
    return session.scalar(
        select(CardVersionRow.content).where(
            CardVersionRow.card_id == card_id, CardVersionRow.number == number
        )
    )


def being_changed(session: Session) -> frozenset[str]:
    """Return the cards of which somebody has a draft open."""
    return frozenset(
        session.scalars(select(CardDraftRow.card_id).where(CardDraftRow.state.in_(OPEN)))
    )


def photographs_here(session: Session) -> Sequence[Here]:
    """Return every photograph that was brought in, with the cards that show or showed it."""
    shown: dict[str, set[str]] = {}
    for picture, card_id in session.execute(
        select(EyeRow.picture, EyeRow.card_id).where(EyeRow.source == PHOTOGRAPH).distinct()
    ):
        shown.setdefault(picture, set()).add(card_id)
    rows = session.execute(
        select(PhotographRow.picture, PhotographRow.original, PhotographRow.bytes)
    )
    return [Here(*row, frozenset(shown.get(row[0], ()))) for row in rows]


class Waiting(NamedTuple):
    """A package that waits, who sent it (None once they are deleted) and their name today."""

    digest: str
    name: str
    bytes: int
    added_by: UUID | None
    by: str
    added_at: datetime


def waiting(session: Session) -> Sequence[Waiting]:
    """Return the packages that nobody has decided on, the latest first."""
    rows = session.execute(
        select(
            CardPackageRow.digest,
            CardPackageRow.name,
            CardPackageRow.bytes,
            CardPackageRow.added_by,
            func.coalesce(AccountRow.sign_in_name, LearnerRow.name, ""),
            CardPackageRow.added_at,
        )
        .outerjoin(LearnerRow, LearnerRow.id == CardPackageRow.added_by)
        .outerjoin(AccountRow, AccountRow.learner_id == CardPackageRow.added_by)
        .order_by(CardPackageRow.added_at.desc(), CardPackageRow.digest)
    )
    return [Waiting(*row) for row in rows]


def forget(session: Session, digest: str) -> None:
    """Delete the row of a package."""
    session.execute(delete(CardPackageRow).where(CardPackageRow.digest == digest))
