"""Drafts of cards, their photographs and their history in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import delete, exists, func, or_, select, text, tuple_
from sqlalchemy.orm import Session

from server.storage.models import (
    AccountRow,
    CardDraftRow,
    CardEventRow,
    CardRow,
    EyeRow,
    LearnerRow,
    PhotographRow,
)
from server.storage.photographs import PHOTOGRAPH

OPEN = ("draft", "review", "changes")

MAKING = (
    *("made", "saved", "designed", "sent"),
    *("photograph-added", "photograph-marked", "photograph-removed"),
)
"""Acts that make somebody an author of what is reviewed."""


class Event(NamedTuple):
    """One act, with the name that its actor has today."""

    at: datetime
    act: str
    actor: str
    """Empty once they are deleted."""
    remark: str
    picture: str
    x: int | None
    y: int | None


def hold(session: Session, draft_id: UUID) -> CardDraftRow | None:
    """Return a draft, held until the transaction ends; None when there is none."""
    return session.scalar(select(CardDraftRow).where(CardDraftRow.id == draft_id).with_for_update())


def get(session: Session, draft_id: UUID) -> CardDraftRow | None:
    """Return a draft; None when there is none."""
    return session.get(CardDraftRow, draft_id)


def open_of(session: Session, card_id: str) -> CardDraftRow | None:
    """Return the draft that a card has open, or None."""
    return session.scalar(
        select(CardDraftRow).where(CardDraftRow.card_id == card_id, CardDraftRow.state.in_(OPEN))
    )


def all_open(session: Session) -> Sequence[CardDraftRow]:
    """Return the open drafts, those changed last first."""
    return session.scalars(
        select(CardDraftRow)
        .where(CardDraftRow.state.in_(OPEN))
        .order_by(CardDraftRow.changed_at.desc(), CardDraftRow.id)
    ).all()


def made_cards(
    session: Session, words: Sequence[str], after: CardRow | None, limit: int
) -> Sequence[CardRow]:
    """Return cards made on this site and of photographs by title, withdrawn ones last.

    Parameters
    ----------
    words : each stands in the title.
    after : the card that the list goes on behind.
    """
    query = (
        select(CardRow)
        .where(or_(CardRow.source == PHOTOGRAPH, CardRow.origin == "school"))
        .order_by(CardRow.retired, CardRow.title, CardRow.id)
        .limit(limit)
    )
    for word in words:
        query = query.where(CardRow.title.icontains(word, autoescape=True))
    if after is not None:
        here = tuple_(CardRow.retired, CardRow.title, CardRow.id)
        query = query.where(here > (after.retired, after.title, after.id))
    return session.scalars(query).all()


def last_position(session: Session) -> int:
    """Return the latest place in the order in which new cards are met."""
    return session.scalar(select(func.max(CardRow.position))) or 0


def note(
    session: Session,
    card_id: str,
    act: str,
    actor_id: UUID | None,
    now: datetime,
    *,
    draft_id: UUID | None = None,
    remark: str = "",
    picture: str = "",
    place: tuple[int, int] | None = None,
) -> None:
    """Note an act on a card or its draft; the command line's has no actor."""
    x, y = place if place is not None else (None, None)
    session.add(
        CardEventRow(
            card_id=card_id,
            draft_id=draft_id,
            at=now,
            act=act,
            actor_id=actor_id,
            remark=remark,
            picture=picture,
            x=x,
            y=y,
        )
    )
    session.flush()


def events(session: Session, card_id: str, limit: int) -> Sequence[Event]:
    """Return what was done with a card and its drafts, the latest first."""
    rows = session.execute(
        select(
            CardEventRow.at,
            CardEventRow.act,
            func.coalesce(AccountRow.sign_in_name, LearnerRow.name, ""),
            CardEventRow.remark,
            CardEventRow.picture,
            CardEventRow.x,
            CardEventRow.y,
        )
        .outerjoin(LearnerRow, LearnerRow.id == CardEventRow.actor_id)
        .outerjoin(AccountRow, AccountRow.learner_id == CardEventRow.actor_id)
        .where(CardEventRow.card_id == card_id)
        .order_by(CardEventRow.id.desc())
        .limit(limit)
    )
    return [Event(*row) for row in rows]


def has_written(session: Session, draft_id: UUID, learner_id: UUID) -> bool:
    """Whether somebody is an author of a draft."""
    return bool(
        session.scalar(
            select(
                exists().where(
                    CardEventRow.draft_id == draft_id,
                    CardEventRow.actor_id == learner_id,
                    CardEventRow.act.in_(MAKING),
                )
            )
        )
    )


def photograph(session: Session, picture: str) -> PhotographRow | None:
    """Return a photograph that was brought in, or None."""
    return session.get(PhotographRow, picture)


def same_file(session: Session, original: str, picture: str) -> PhotographRow | None:
    """Return the photograph that came as the same file, or is the same once encoded; or None."""
    return session.scalar(
        select(PhotographRow)
        .where(or_(PhotographRow.original == original, PhotographRow.picture == picture))
        .limit(1)
    )


def likenesses(session: Session) -> Sequence[tuple[str, str]]:
    """Return picture and likeness of every photograph that was brought in."""
    rows = session.execute(select(PhotographRow.picture, PhotographRow.likeness))
    return [(picture, likeness) for picture, likeness in rows]


def forget_photograph(session: Session, picture: str) -> None:
    """Forget a photograph that no eye shows; its file is swept away later."""
    session.execute(
        delete(PhotographRow).where(
            PhotographRow.picture == picture, ~exists().where(EyeRow.picture == picture)
        )
    )


def hashes_in_use(session: Session, hashes: Sequence[str]) -> set[str]:
    """Return those of the hashes that are photographs in a draft or a card."""
    return set(
        session.scalars(select(PhotographRow.picture).where(PhotographRow.picture.in_(hashes)))
    )


def hold_photographs(session: Session) -> None:
    """Let nobody bring a photograph in until this transaction ends."""
    # SQLite has one writer at a time anyway.
    if session.get_bind().dialect.name == "postgresql":
        session.execute(text("LOCK TABLE photograph IN SHARE ROW EXCLUSIVE MODE"))
