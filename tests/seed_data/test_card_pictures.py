"""Each card's pictures show what its words say, as the masks have it.

A few eyes per card, small: enough to find a band below the visible floor, a
view that misses the lesion, or a look-alike that turned into the finding.
"""

from __future__ import annotations

import pytest

from server.jobs.drawing import objection
from server.rendering import Rendering, render
from server.rendering.eye import FINDINGS, View
from server.rendering.recipe import CardRecipe
from server.rendering.truth import Truth, truth
from server.services.catalogue import CardSpec
from tests.seed_data.texts import CARDS, CATALOGUE

SEEDS = (11, 12)
SIZE_PX = 256

LOOK_ALIKE_MASKS = {
    "disc-drusen": "disc-drusen",
    "myelinated-fibres": "myelinated-fibres",
    "myopic-crescent": "crescent",
    "collaterals": "collateral",
    "laser-scars": "laser-scar",
    "congenital-pigment": "congenital-pigment",
    "naevus": "naevus",
}
"""Look-alikes that leave a mask; the others are a shape or shade of the eye itself."""


def looks(card: CardSpec) -> list[tuple[Rendering, Truth]]:
    """The card's eyes for the seeds, with their truth."""
    spec = CATALOGUE.views[card.view]
    views = {card.view: View(spec.field_deg, spec.centre_deg)}
    recipe = CardRecipe.from_dict(card.model_dump(exclude_none=True), views)
    drawn = [recipe.draw(seed, SIZE_PX) for seed in SEEDS]
    pictures = [render(one.eye, one.features, one.view) for one in drawn]
    return [(picture, truth(picture)) for picture in pictures]


@pytest.mark.parametrize("card", CARDS, ids=lambda card: card.id)
def test_a_card_shows_what_it_says(card: CardSpec) -> None:
    shown = looks(card)
    # An eye that does not show its card is drawn afresh; that must stay the exception.
    named = [one.kind for one in card.features if one.kind in FINDINGS and card.kind == "finding"]
    complaints = [objection(named, found) for _, found in shown]
    assert "" in complaints
    if card.kind != "finding":
        # Borderline is redrawn, but an outright finding means that the recipe is wrong.
        assert not [found.present for _, found in shown if found.present]
    painted = {one.kind for one in card.features if one.kind in FINDINGS}
    assert any(painted <= set(found.present) for _, found in shown)
    for one in card.features:
        mask = LOOK_ALIKE_MASKS.get(one.kind)
        if mask is None:
            continue
        for picture, _ in shown:
            # A dozen pixels of this small picture are about a quarter of a disc across.
            assert mask in picture.masks
            assert picture.masks[mask].sum() >= 12
