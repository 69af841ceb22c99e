"""A card's draft: made, written by several people at once without loss, sent to review.

Every part of a draft (its words, and each of its photographs) carries the
version at which it was last changed. Whoever saves a part says which version
they saw: where it is an older one, nothing is saved and `Moved` brings what
the other wrote, so that both are on the page.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.services.authoring.draft import (
    Draft,
    DraftDesign,
    DraftWords,
    Moved,
    content_of,
    first_words,
    value,
)
from server.services.catalogue import Catalogue
from server.services.recipes import Recipe
from server.storage import card_drafts as rows
from server.storage.card_drafts import Event
from server.storage.models import CardDraftRow

EVENTS_SHOWN: Final = 60


def make(
    session: Session,
    catalogue: Catalogue,
    author_id: UUID | None,
    draft_id: UUID,
    about: str,
    now: datetime,
    act: str = "made",
    *,
    design: Recipe | None = None,
) -> Draft:
    """Begin the draft of a new card; the same id again finds the same draft. Writes.

    Parameters
    ----------
    draft_id : made with the button, so that a second tap begins no second one.
    design : what its eyes have in common at first; None for a card of photographs.

    Raises
    ------
    BadInput : there is nothing of this name to show.
    """
    known = rows.get(session, draft_id)
    if known is not None:
        return value(known)
    words = first_words(catalogue, about, photographed=design is None)
    row = CardDraftRow(
        id=draft_id,
        card_id=f"school-{draft_id.hex[:16]}",
        state="draft",
        version=1,
        content=content_of(words, 1, (), None if design is None else DraftDesign(design, 1)),
        changed_at=now,
        changed_by=author_id,
    )
    session.add(row)
    session.flush()
    rows.note(session, row.card_id, act, author_id, now, draft_id=draft_id)
    return value(row)


def find(session: Session, draft_id: UUID) -> Draft:
    """Return a draft. Reads only.

    Raises
    ------
    NotFound : there is none of this id.
    """
    row = rows.get(session, draft_id)
    if row is None:
        raise NotFound("There is no such draft (any more).")
    return value(row)


def open_drafts(session: Session) -> tuple[Draft, ...]:
    """Return the open drafts, those changed last first. Reads only."""
    return tuple(value(row) for row in rows.all_open(session))


def history(session: Session, draft: Draft) -> tuple[Event, ...]:
    """Return what was done with a draft and its card, the latest first. Reads only."""
    return tuple(rows.events(session, draft.card_id, EVENTS_SHOWN))


def save_words(
    session: Session,
    catalogue: Catalogue,
    author_id: UUID,
    draft_id: UUID,
    words: DraftWords,
    seen_version: int,
    now: datetime,
) -> Draft:
    """Save a draft's words. The same again changes nothing. Writes.

    Raises
    ------
    BadInput : something is too long or unknown.
    Conflict : it is under review, published or dropped.
    Moved : somebody else saved other words meanwhile.
    """
    row = held(session, draft_id)
    wanted = words.tidy(catalogue)
    draft = value(row)
    if wanted == draft.words:
        return draft
    refuse_unless_open(draft)
    if seen_version != draft.words_version:
        raise Moved(draft)
    content = content_of(wanted, row.version + 1, draft.photographs, draft.design)
    return changed(session, row, author_id, "saved", content, now)


def send(
    session: Session, author_id: UUID, draft_id: UUID, problems: tuple[str, ...], now: datetime
) -> Draft:
    """Send a draft to review; sending twice is once. Writes.

    Parameters
    ----------
    problems : what is missing; a draft with any is not sent.

    Raises
    ------
    BadInput : something is missing.
    Conflict : it is published or dropped.
    """
    row = held(session, draft_id)
    if row.state == "review":
        return value(row)
    refuse_unless_open(value(row))
    if problems:
        raise BadInput("Not yet: " + " ".join(problems))
    return moved_to(session, row, "review", "sent", author_id, now)


def take_back(session: Session, author_id: UUID, draft_id: UUID, now: datetime) -> Draft:
    """Take a draft back from review, to change it. Writes.

    Raises
    ------
    Conflict : it is published or dropped.
    """
    row = held(session, draft_id)
    if row.state != "review":
        refuse_unless_open(value(row))
        return value(row)
    return moved_to(session, row, "draft", "taken-back", author_id, now)


def drop(session: Session, author_id: UUID, draft_id: UUID, now: datetime) -> Draft:
    """Drop a draft; its card, if there is one, stays as it is. Writes.

    Raises
    ------
    Conflict : it is published.
    """
    row = held(session, draft_id)
    if row.state == "dropped":
        return value(row)
    if row.state == "published":
        raise Conflict("This draft is published: withdraw the card instead.")
    for one in value(row).photographs:
        rows.forget_photograph(session, one.photograph.picture)
    return moved_to(session, row, "dropped", "dropped", author_id, now)


def held(session: Session, draft_id: UUID) -> CardDraftRow:
    """Return a draft, held until the transaction ends; NotFound when there is none."""
    row = rows.hold(session, draft_id)
    if row is None:
        raise NotFound("There is no such draft (any more).")
    return row


def refuse_unless_open(draft: Draft) -> None:
    """Raise Conflict unless the draft's parts may be changed now."""
    if draft.state == "review":
        raise Conflict("This draft is being reviewed: take it back first, then change it.")
    if not draft.is_open:
        raise Conflict(f"This draft is {draft.state}: it cannot be changed any more.")


def changed(
    session: Session,
    row: CardDraftRow,
    author_id: UUID | None,
    act: str,
    content: dict[str, Any],
    now: datetime,
    picture: str = "",
) -> Draft:
    """Store a changed draft and note who changed it."""
    row.version += 1
    row.content = content
    row.changed_at, row.changed_by = now, author_id
    session.flush()
    rows.note(session, row.card_id, act, author_id, now, draft_id=row.id, picture=picture)
    return value(row)


def moved_to(
    session: Session,
    row: CardDraftRow,
    state: str,
    act: str,
    actor_id: UUID,
    now: datetime,
    **said: Any,
) -> Draft:
    """Store a draft's new state and note who brought it there."""
    row.state = state
    row.version += 1
    row.changed_at = now
    session.flush()
    rows.note(session, row.card_id, act, actor_id, now, draft_id=row.id, **said)
    return value(row)
