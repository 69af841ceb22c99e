"""A draft's review by a second person: one flow for photographs and for designed eyes."""

from __future__ import annotations

from datetime import datetime
from typing import Final, Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotAllowed, NotFound
from server.rendering.eye import FINDINGS
from server.services import designed_cards, photograph_cards
from server.services.authoring import drafts, preview
from server.services.authoring.draft import (
    LINES,
    NORMAL,
    Draft,
    DraftDesign,
    DraftWords,
    value,
)
from server.services.catalogue import Catalogue
from server.services.designed_cards import DesignedCard
from server.services.photograph_cards import CardPhotograph, PhotographCard
from server.services.recipes import Recipe, read_recipe
from server.storage import card_drafts as rows
from server.storage.models import CardDraftRow, CardRow

LONGEST_REMARK: Final = 2000
STEP: Final = 10
"""Between the places of two cards in the order of meeting."""


def missing(session: Session, draft: Draft, catalogue: Catalogue) -> tuple[str, ...]:
    """Return what a draft lacks before it can be reviewed, in sentences. Reads only."""
    lacks = _missing_words(draft.words)
    if draft.design is not None:
        return (*lacks, *_missing_eyes(session, draft, draft.design, catalogue))
    if not draft.photographs:
        lacks.append("There is no photograph.")
    for number, one in enumerate(draft.photographs, start=1):
        lacks += [
            f"Photograph {number}: {what}" for what in amiss(one.photograph, draft.words, catalogue)
        ]
    return tuple(lacks)


def _missing_words(words: DraftWords) -> list[str]:
    lacks = []
    if not words.title:
        lacks.append("The card has no title.")
    if any(not getattr(words, name) for name in LINES):
        lacks.append("A teaching line is empty.")
    if not words.references:
        lacks.append("Say what the lines rest on.")
    return lacks


def _missing_eyes(
    session: Session, draft: Draft, design: DraftDesign, catalogue: Catalogue
) -> list[str]:
    """Return what speaks against a design: a card that cannot be drawn keeps learners waiting."""
    try:
        read_recipe(design.recipe.to_dict(), catalogue.views)
    except BadInput as problem:
        return [f"The design cannot be drawn: {problem}"]
    eyes = preview.look(session, preview.eyes_of(design.recipe, catalogue, draft.card_id))
    if any(one.state == "waiting" for one in eyes):
        return ["Its eyes are not drawn yet: look at them first."]
    kept = [one for one in eyes if one.state == "drawn" and not one.objection]
    if len(kept) * 2 < len(eyes):
        why = next(one.problem or one.objection for one in eyes if one not in kept)
        why = why.replace("-", " ")
        return [
            f"Of {len(eyes)} eyes drawn, {len(kept)} show what the card says: at least half must "
            f"({why})."
        ]
    return []


def amiss(one: CardPhotograph, words: DraftWords, catalogue: Catalogue) -> list[str]:
    """Return what speaks against a photograph standing for its card."""
    marks = one.marks
    of_disc = {"swollen-margin", "pale-disc", "enlarged-cup"} - marks.not_judged
    out = []
    if of_disc and not marks.disc:
        out.append("outline the disc, or say that nothing of it can be judged.")
    if "macular-change" not in marks.not_judged and marks.fovea is None:
        out.append("mark the fovea, or say that the macula cannot be judged.")
    if len(marks.not_judged) == len(FINDINGS):
        out.append("nothing can be judged in it.")
    if words.about in FINDINGS and words.about not in marks.findings:
        out.append(f"outline the {words.about.replace('-', ' ')} that the card is about.")
    if words.about == NORMAL and marks.findings:
        out.append("something is outlined, but the card is of normal eyes.")
    other = catalogue.look_alikes.get(words.about)
    if other is not None and other.mimics in marks.findings:
        out.append(
            f"{other.mimics.replace('-', ' ')} is outlined, but the card is of an eye that only "
            "resembles it."
        )
    return out


def wrote(session: Session, learner_id: UUID, draft: Draft) -> bool:
    """Whether somebody is one of a draft's authors. Reads only."""
    return rows.has_written(session, draft.id, learner_id)


def may_decide(session: Session, reviewer_id: UUID, draft: Draft) -> bool:
    """Whether somebody may decide on a draft: nobody reviews what they wrote. Reads only."""
    return draft.state == "review" and not wrote(session, reviewer_id, draft)


def approve(
    session: Session,
    catalogue: Catalogue,
    reviewer_id: UUID,
    draft_id: UUID,
    seen_version: int,
    now: datetime,
) -> Draft:
    """Publish a draft as its card's new version; approving twice is once. Writes.

    History keeps the version that each look showed, and schedules carry on.

    Raises
    ------
    NotAllowed : the reviewer wrote some of it.
    Conflict : it changed since they looked, or is not under review.
    """
    row = drafts.held(session, draft_id)
    if row.state == "published":
        return value(row)
    draft = _reviewed(session, row, reviewer_id, seen_version)
    known = session.get(CardRow, draft.card_id)
    position = rows.last_position(session) + STEP if known is None else known.position
    if draft.design is None:
        photograph_cards.put_in_use(session, as_card(draft, catalogue, position), now)
    else:
        card = designed_card_of(draft.card_id, position, draft.words, draft.design.recipe)
        designed_cards.put_in_use(session, catalogue, card, now)
    return drafts.moved_to(session, row, "published", "published", reviewer_id, now)


def ask_for_change(
    session: Session,
    reviewer_id: UUID,
    draft_id: UUID,
    seen_version: int,
    remark: str,
    now: datetime,
    *,
    picture: str = "",
    place: tuple[int, int] | None = None,
) -> Draft:
    """Give a draft back with a remark, on the whole or on a place in a photograph. Writes.

    Raises
    ------
    BadInput : there is no remark, or it is too long.
    NotAllowed : the reviewer wrote some of it.
    Conflict : it changed since they looked, or is not under review.
    """
    text = remark.strip()
    if not text:
        raise BadInput("Say what should be changed.")
    if len(text) > LONGEST_REMARK:
        raise BadInput(f"A remark has at most {LONGEST_REMARK} characters.")
    row = drafts.held(session, draft_id)
    draft = _reviewed(session, row, reviewer_id, seen_version)
    if picture:
        _check_picture(session, draft, picture)
    return drafts.moved_to(
        session,
        row,
        "changes",
        "changes-asked",
        reviewer_id,
        now,
        remark=text,
        picture=picture,
        place=place if picture else None,
    )


def _check_picture(session: Session, draft: Draft, picture: str) -> None:
    """Raise NotFound unless a remark can be about this photograph or drawn eye."""
    if draft.design is None:
        draft.find(picture)
    elif preview.find(session, picture) is None:
        raise NotFound("This eye is not kept any more: look at others, then remark on one.")


def _reviewed(session: Session, row: CardDraftRow, reviewer_id: UUID, seen_version: int) -> Draft:
    draft = value(row)
    if draft.state != "review":
        raise Conflict("This draft is not under review (any more): look at how it stands now.")
    if rows.has_written(session, draft.id, reviewer_id):
        raise NotAllowed("You wrote some of this: somebody else has to review it.")
    if seen_version != draft.version:
        raise Conflict("The draft was changed since you looked at it: look again, then decide.")
    return draft


def designed_card_of(
    card_id: str, position: int, words: DraftWords, recipe: Recipe
) -> DesignedCard:
    """Return the card of these words whose eyes are drawn by a recipe."""
    return DesignedCard(
        id=card_id,
        title=words.title,
        position=position,
        recipe=recipe,
        teaching={name: getattr(words, name) for name in LINES},
        references=tuple(words.references.splitlines()),
    )


def as_card(draft: Draft, catalogue: Catalogue, position: int) -> PhotographCard:
    """Return the card that a draft of photographs becomes."""
    photographs = tuple(one.photograph for one in draft.photographs)
    return card_of(draft.card_id, position, draft.words, photographs, catalogue)


def card_of(
    card_id: str,
    position: int,
    words: DraftWords,
    photographs: tuple[CardPhotograph, ...],
    catalogue: Catalogue,
) -> PhotographCard:
    """Return the photograph card of these words and photographs."""
    other = catalogue.look_alikes.get(words.about)
    kind: Literal["finding", "normal", "look-alike"] = "normal"
    icd10: tuple[str, ...] = ()
    if other is not None:
        kind, icd10 = "look-alike", other.icd10
    elif words.about in FINDINGS:
        kind, icd10 = "finding", catalogue.finding(words.about).icd10
    return PhotographCard(
        id=card_id,
        title=words.title,
        kind=kind,
        position=position,
        shows="" if kind == "normal" else words.about,
        mimics=None if other is None else other.mimics,
        icd10=icd10,
        teaching={name: getattr(words, name) for name in LINES},
        references=tuple(words.references.splitlines()),
        photographs=photographs,
    )
