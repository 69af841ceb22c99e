"""Eyes that are described and never drawn: an invented school needs hundreds, and draws none.

What is there follows from the card's recipe, what may be asked from where the
camera points, by the rules that judge drawn eyes. There are no masks, so there
is no place and no measure, and nobody real is ever shown one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from random import Random
from typing import Any

import numpy as np

from server.rendering.eye import FINDINGS, MM_PER_DEGREE, Eye, Rendering, View
from server.rendering.in_view import (
    USUAL_DISC_DEG,
    disc_in_view,
    macula_in_view,
    periphery_in_view,
)
from server.rendering.recipe import CardRecipe, view_from_dict
from server.rendering.truth import FindingTruth, Truth
from server.rendering.visible_floors import DISC_DIAMETER_MM, FLOORS
from server.services.study.fitting import NEAR
from server.storage.eyes import UNDRAWN
from server.storage.models import CardRow, CardVersionRow, EyeRow

EYES_EACH = 24
"""Eyes of a card before a nearer one is taken instead of describing another."""

SKETCH_PX = 128


@dataclass(frozen=True)
class Deck:
    """The cards that the school practises, with what their photographs let one judge."""

    cards: Sequence[CardRow]
    versions: Mapping[str, CardVersionRow]
    recipes: Mapping[str, CardRecipe]
    asked: Mapping[str, frozenset[str]]


def deck_of(cards: Sequence[CardRow], versions: Mapping[str, CardVersionRow]) -> Deck:
    """Return a deck of cards and the versions of them that are in use, by card."""
    recipes, asked = {}, {}
    for card in cards:
        content = versions[card.id].content
        view = view_from_dict(content["view"])
        recipe = CardRecipe.from_dict(content["card"], {content["card"]["view"]: view})
        own = {feature.kind for feature in recipe.features} & set(FINDINGS)
        recipes[card.id] = recipe
        asked[card.id] = judgeable(view) | own
    return Deck(cards, versions, recipes, asked)


def judgeable(view: View) -> frozenset[str]:
    """Return the findings that a view lets one judge in an average eye."""
    sketch = _sketch(view)
    disc, macula, periphery = (
        disc_in_view(sketch), macula_in_view(sketch), periphery_in_view(sketch)
    )  # fmt: skip
    shown = {"new-vessels"}
    shown |= {"swollen-margin", "pale-disc", "enlarged-cup"} if disc else set()
    shown |= {"macular-change"} if macula else set()
    shown |= {"peripheral-pigment"} if periphery else set()
    return frozenset(shown)


def _sketch(view: View) -> Rendering:
    """Return a picture of nothing but where the field ends and where the usual disc lies."""
    offsets = ((np.arange(SKETCH_PX) + 0.5) / SKETCH_PX - 0.5) * view.field_deg
    x, y = np.meshgrid(offsets + view.centre_deg[0], offsets + view.centre_deg[1])
    radius = DISC_DIAMETER_MM / 2 / MM_PER_DEGREE
    masks = {
        "field": np.hypot(x - view.centre_deg[0], y - view.centre_deg[1]) <= view.field_deg / 2,
        "disc": np.hypot(x - USUAL_DISC_DEG[0], y - USUAL_DISC_DEG[1]) <= radius,
    }
    return Rendering(
        eye=Eye(seed=0, side="left"),
        features=(),
        view=View(view.field_deg, view.centre_deg, SKETCH_PX),
        picture=np.zeros((SKETCH_PX, SKETCH_PX, 3), dtype=np.uint8),
        masks=masks,
    )


@dataclass
class DescribedEyes:
    """The eyes described so far; many learners meet the same one, as in a real stock."""

    deck: Deck
    now: datetime
    rng: Random
    of_card: dict[str, list[EyeRow]] = field(default_factory=lambda: defaultdict(list))

    def all(self) -> list[EyeRow]:
        """Return every eye, to be stored."""
        return [eye for eyes in self.of_card.values() for eye in eyes]

    def fresh(self, card_id: str, seen: Collection[int], wanted: float | None) -> EyeRow:
        """Return an eye of a card that is none of those seen, of about the severity wanted.

        Parameters
        ----------
        seen : seeds of the eyes that the learner has met.
        """
        unseen = [eye for eye in self.of_card[card_id] if eye.seed not in seen]
        near = [eye for eye in unseen if _off(eye, wanted) <= NEAR]
        if near:
            found = self.rng.choice(near)
        elif unseen and len(self.of_card[card_id]) >= EYES_EACH:
            found = min(unseen, key=lambda eye: _off(eye, wanted))
        else:
            found = self._described(card_id, wanted)
            self.of_card[card_id].append(found)
        found.looks += 1
        return found

    def apart(self, card_id: str, severity: float | None) -> EyeRow:
        """Return an eye for a checkpoint, which nobody meets in practice."""
        return self._described(card_id, severity)

    def _described(self, card_id: str, severity: float | None) -> EyeRow:
        version = self.deck.versions[card_id]
        card, view = version.content["card"], version.content["view"]
        seed = self.rng.getrandbits(62)
        drawn = self.deck.recipes[card_id].draw(seed, severity=severity)
        present = {feature.kind for feature in drawn.features} & set(FINDINGS)
        return EyeRow(
            card_id=card_id,
            recipe_hash=version.recipe_hash,
            source="rendered",
            seed=seed,
            renderer_version=UNDRAWN,
            side=drawn.eye.side,
            view=card["view"],
            view_title=view["name"],
            field_deg=drawn.view.field_deg,
            size_px=drawn.view.size_px,
            picture="",
            twin="",
            bytes=0,
            looks=0,
            severity=drawn.features[0].severity if drawn.features else None,
            abnormal=bool(present),
            anatomy=asdict(drawn.eye),
            features=[asdict(feature) for feature in drawn.features],
            truth=_truth(present, self.deck.asked[card_id]),
            outlines={},
            facts={},
            created_at=self.now,
        )


def _truth(present: Collection[str], in_view: Collection[str]) -> dict[str, Any]:
    return Truth(
        {
            name: FindingTruth(
                in_view=name in in_view,
                present=name in present,
                measure=0.0,
                unit=FLOORS[name].shown_unit or FLOORS[name].unit,
            )
            for name in FINDINGS
        }
    ).to_dict()


def _off(eye: EyeRow, wanted: float | None) -> float:
    return 0.0 if wanted is None or eye.severity is None else abs(eye.severity - wanted)
