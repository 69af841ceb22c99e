"""The design of a card's eyes: begun from what the trainer knows, written without loss."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict
from server.rendering.eye import FINDINGS
from server.rendering.features import floor_of, painter_of
from server.rendering.recipe import FeatureRange
from server.services.authoring import drafts
from server.services.authoring.draft import NORMAL, Draft, DraftDesign, Moved, content_of, value
from server.services.catalogue import Catalogue
from server.services.recipes import Recipe, shows

PLAIN_FROM: Final = 0.6
PLAIN_TO: Final = 0.9
"""Severities of a new design: plain to see, short of the extreme."""

DESIGNED: Final = "designed"


def first_recipe(catalogue: Catalogue, about: str) -> Recipe:
    """Return what a new design begins with: plain examples, where they lie, at their usual age.

    Raises
    ------
    BadInput : there is nothing of this name to show.
    """
    if about == NORMAL:
        return Recipe()
    variant = painter_of(about).variants[0]
    low = max(PLAIN_FROM, floor_of(about, variant))
    feature = FeatureRange(about, variant, (low, max(low, PLAIN_TO)))
    alike = [card for card in catalogue.cards if card.features and card.features[0].kind == about]
    place = about if about in FINDINGS else painter_of(about).mimics
    usual = "wide-60" if place == "peripheral-pigment" else "photograph-45"
    view = next(name for name in (usual, *catalogue.views) if shows(about, catalogue.views[name]))
    ages = [card.age for card in alike if card.age]
    age = (min(low for low, _ in ages), max(high for _, high in ages)) if ages else None
    return Recipe((feature,), view, age=age)


def save_design(
    session: Session,
    author_id: UUID,
    draft_id: UUID,
    recipe: Recipe,
    seen_version: int,
    now: datetime,
) -> Draft:
    """Save what a draft's eyes have in common. The same again changes nothing. Writes.

    Parameters
    ----------
    recipe : as `recipes.read_recipe` has read it.

    Raises
    ------
    Conflict : the card is one of photographs, or under review, published or dropped.
    Moved : somebody else saved another design meanwhile.
    """
    row = drafts.held(session, draft_id)
    draft = value(row)
    design = draft.design
    if design is None:
        raise Conflict("This card shows photographs: begin another one to design its eyes.")
    if recipe == design.recipe:
        return draft
    drafts.refuse_unless_open(draft)
    if seen_version != design.version:
        raise Moved(draft)
    changed = DraftDesign(recipe, row.version + 1)
    content = content_of(draft.words, draft.words_version, draft.photographs, changed)
    return drafts.changed(session, row, author_id, DESIGNED, content, now)
