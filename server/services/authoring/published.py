"""Cards of this site as they were published: looked at, changed by a new draft, withdrawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput, NotAllowed, NotFound
from server.services.authoring.draft import (
    DraftDesign,
    DraftPhotograph,
    about_of,
    content_of,
    words_of,
)
from server.services.authoring.drafts import EVENTS_SHOWN
from server.services.authoring.reviewing import LONGEST_REMARK
from server.services.card_versions import SCHOOL, SHIPPED
from server.services.photograph_cards import CardPhotograph, is_of_photographs
from server.services.recipes import Recipe
from server.storage import card_drafts as rows
from server.storage import cards
from server.storage.card_drafts import Event
from server.storage.models import CardDraftRow, CardRow
from server.storage.photographs import PHOTOGRAPH

PAGE_CARDS: Final = 40
MOST_WORDS: Final = 6
"""Of a search: more find nothing that these do not."""


@dataclass(frozen=True)
class MadeCard:
    """A card made here, or of photographs, in use or withdrawn.

    Parameters
    ----------
    shipped : it came with the program; a school cannot change it.
    recipe : of drawn eyes; None for a card of photographs.
    open_draft : the draft of its next version, if there is one.
    words_terms : who wrote the words of a card from a package, and their licence.
    """

    id: str
    title: str
    about: str
    retired: bool
    shipped: bool
    photographs: tuple[CardPhotograph, ...]
    open_draft: UUID | None
    recipe: Recipe | None = None
    words_terms: str = ""


@dataclass(frozen=True)
class MadeVersion:
    """A card as it was at one time.

    Parameters
    ----------
    looks : how often learners were shown it.
    words : its teaching lines, by name.
    """

    number: int
    title: str
    made_at: datetime
    in_use: bool
    looks: int
    words: Mapping[str, str]
    recipe: Recipe | None
    photographs: int


@dataclass(frozen=True)
class MadeCards:
    """A page of them.

    Parameters
    ----------
    following : the card that the next page begins behind; empty on the last one.
    """

    cards: tuple[MadeCard, ...]
    following: str


def made_cards(session: Session, words: str = "", after: str = "") -> MadeCards:
    """Return cards made here and of photographs by title, withdrawn last. Reads only.

    Parameters
    ----------
    words : of the title; each must stand in it.
    after : id of the last card of the page before; an unknown one begins anew.
    """
    begun = session.get(CardRow, after) if after else None
    found = rows.made_cards(session, words.split()[:MOST_WORDS], begun, PAGE_CARDS + 1)
    listed = found[:PAGE_CARDS]
    contents = cards.current_contents(session, [row.id for row in listed])
    drafted = {row.card_id: row.id for row in rows.all_open(session)}
    return MadeCards(
        tuple(_made(row, contents[row.id], drafted.get(row.id)) for row in listed),
        listed[-1].id if len(found) > PAGE_CARDS else "",
    )


def made_card(session: Session, card_id: str) -> MadeCard:
    """Return one of those cards. Reads only.

    Raises
    ------
    NotFound : there is none of this id.
    """
    row = session.get(CardRow, card_id)
    if row is None or not _is_made(row):
        raise NotFound("There is no such card.")
    draft = rows.open_of(session, card_id)
    contents = cards.current_contents(session, [card_id])
    return _made(row, contents[card_id], None if draft is None else draft.id)


def is_made_here(session: Session, card_id: str) -> bool:
    """Whether a card was made or brought in by this school, so that it can change it."""
    row = session.get(CardRow, card_id)
    return row is not None and row.origin == SCHOOL


def versions(session: Session, card_id: str) -> tuple[MadeVersion, ...]:
    """Return the versions of a card, the latest first; looks keep the one they showed."""
    row = session.get_one(CardRow, card_id)
    return tuple(
        MadeVersion(
            number=version.number,
            title=version.content["card"]["title"],
            made_at=version.created_at,
            in_use=version.content_hash == row.content_hash,
            looks=looks,
            words=version.content["card"]["teaching"],
            recipe=None
            if is_of_photographs(version.content)
            else Recipe.of_card(version.content["card"]),
            photographs=len(version.content.get("photographs", ())),
        )
        for version, looks in cards.versions(session, card_id)
    )


def card_history(session: Session, card_id: str) -> tuple[Event, ...]:
    """Return what was done with a card, the latest first. Reads only."""
    return tuple(rows.events(session, card_id, EVENTS_SHOWN))


def begin_change(session: Session, author_id: UUID, card_id: str, now: datetime) -> UUID:
    """Return the draft of a card's next version, begun where there is none. Writes.

    Raises
    ------
    NotFound : there is no such card.
    NotAllowed : it came with the program.
    """
    known = rows.open_of(session, card_id)
    if known is not None:
        return known.id
    _own(session, card_id)
    content = cards.current_contents(session, [card_id])[card_id]
    parts = tuple(
        DraftPhotograph(CardPhotograph.from_dict(one), 1) for one in content.get("photographs", ())
    )
    design = None if is_of_photographs(content) else DraftDesign(Recipe.of_card(content["card"]), 1)
    row = CardDraftRow(
        id=uuid4(),
        card_id=card_id,
        state="draft",
        version=1,
        content=content_of(words_of(content), 1, parts, design),
        changed_at=now,
        changed_by=author_id,
    )
    session.add(row)
    session.flush()
    rows.note(session, card_id, "change-begun", author_id, now, draft_id=row.id)
    return row.id


def withdraw(session: Session, actor_id: UUID, card_id: str, reason: str, now: datetime) -> None:
    """Show a card to nobody any more; what was answered stays as it is. Writes.

    Raises
    ------
    BadInput : no reason is given.
    NotFound : there is no such card.
    NotAllowed : it came with the program.
    """
    text = " ".join(reason.split())
    if not text:
        raise BadInput("Say why the card is withdrawn: others will ask.")
    if len(text) > LONGEST_REMARK:
        raise BadInput(f"A reason has at most {LONGEST_REMARK} characters.")
    row = _own(session, card_id)
    if row.retired:
        return
    row.retired = True
    rows.note(session, card_id, "withdrawn", actor_id, now, remark=text)


def put_back(session: Session, actor_id: UUID, card_id: str, now: datetime) -> None:
    """Show a withdrawn card again. Writes.

    Raises
    ------
    NotFound : there is no such card.
    NotAllowed : it came with the program.
    """
    row = _own(session, card_id)
    if not row.retired:
        return
    row.retired = False
    rows.note(session, card_id, "put-back", actor_id, now)


def _own(session: Session, card_id: str) -> CardRow:
    row = session.get(CardRow, card_id, with_for_update=True)
    if row is None or not _is_made(row):
        raise NotFound("There is no such card.")
    if row.origin == SHIPPED:
        raise NotAllowed("This card comes with the program; a cohort's settings can leave it out.")
    return row


def _is_made(row: CardRow) -> bool:
    return row.source == PHOTOGRAPH or row.origin == SCHOOL


def _made(row: CardRow, content: Mapping[str, Any], draft_id: UUID | None) -> MadeCard:
    card = content["card"]
    return MadeCard(
        id=row.id,
        title=row.title,
        about=about_of(card),
        retired=row.retired,
        shipped=row.origin == SHIPPED,
        photographs=tuple(CardPhotograph.from_dict(one) for one in content.get("photographs", ())),
        open_draft=draft_id,
        recipe=None if is_of_photographs(content) else Recipe.of_card(card),
        words_terms=row.words_terms,
    )
