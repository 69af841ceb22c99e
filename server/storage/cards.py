"""Cards and their versions in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.models import CardRow, CardVersionRow, LookRow
from server.storage.photographs import PHOTOGRAPH


class CurrentCard(NamedTuple):
    """A card with the recipe in use."""

    card: CardRow
    recipe_hash: str


def all_cards(session: Session) -> dict[str, CardRow]:
    """Return every card by id, retired ones included."""
    return {card.id: card for card in session.scalars(select(CardRow))}


def current(session: Session) -> Sequence[CurrentCard]:
    """Return the cards in use with their recipes, in the order of the curriculum."""
    rows = session.execute(
        select(CardRow, CardVersionRow.recipe_hash)
        .join(
            CardVersionRow,
            (CardVersionRow.card_id == CardRow.id)
            & (CardVersionRow.content_hash == CardRow.content_hash),
        )
        .where(CardRow.retired.is_(False))
        .order_by(CardRow.position, CardRow.id)
    )
    return [CurrentCard(*row) for row in rows]


def drawn(session: Session) -> Sequence[CurrentCard]:
    """Return those of the cards in use whose eyes are drawn."""
    return [one for one in current(session) if one.card.source != PHOTOGRAPH]


def current_contents(session: Session, card_ids: Collection[str]) -> dict[str, dict[str, Any]]:
    """Return what the versions in use of these cards hold, by card."""
    rows = session.execute(
        select(CardRow.id, CardVersionRow.content)
        .join(
            CardVersionRow,
            (CardVersionRow.card_id == CardRow.id)
            & (CardVersionRow.content_hash == CardRow.content_hash),
        )
        .where(CardRow.id.in_(card_ids))
    )
    return {row[0]: row[1] for row in rows}


def current_version(session: Session, card_id: str) -> CardVersionRow | None:
    """Return the version in use of a card, or None if there is no such card."""
    return session.scalar(
        select(CardVersionRow)
        .join(
            CardRow,
            (CardVersionRow.card_id == CardRow.id)
            & (CardVersionRow.content_hash == CardRow.content_hash),
        )
        .where(CardRow.id == card_id)
    )


def version_of(session: Session, card_id: str, content_hash: str) -> CardVersionRow | None:
    """Return the version of a card with this content, or None."""
    return session.scalar(
        select(CardVersionRow).where(
            CardVersionRow.card_id == card_id, CardVersionRow.content_hash == content_hash
        )
    )


def versions(session: Session, card_id: str) -> Sequence[tuple[CardVersionRow, int]]:
    """Return every version of a card with how often it was shown, the latest first."""
    looks = (
        select(func.count())
        .where(LookRow.card_version_id == CardVersionRow.id)
        .correlate(CardVersionRow)
        .scalar_subquery()
    )
    rows = session.execute(
        select(CardVersionRow, looks)
        .where(CardVersionRow.card_id == card_id)
        .order_by(CardVersionRow.number.desc())
    )
    return [(version, shown) for version, shown in rows]


def get_version(session: Session, version_id: int) -> CardVersionRow:
    """Return a version by its key."""
    return session.get_one(CardVersionRow, version_id)


def count(session: Session, but: Collection[str] = ()) -> int:
    """Return the number of cards in use, some left out."""
    query = select(func.count()).where(CardRow.retired.is_(False), CardRow.id.not_in(but))
    return session.scalar(query) or 0


def next_number(session: Session, card_id: str) -> int:
    """Return the number of a card's next version."""
    highest = select(func.max(CardVersionRow.number)).where(CardVersionRow.card_id == card_id)
    return (session.scalar(highest) or 0) + 1
