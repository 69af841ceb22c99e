"""Designed cards: from a recipe and what is taught with it to a card version whose eyes are drawn.

To everything that schedules, draws and measures, such a card is one like those
that come with the program: its version is laid out the same way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy.orm import Session

from server.services.card_versions import CardHead, put_version, recipe_hash
from server.services.catalogue import Catalogue
from server.services.recipes import Recipe
from server.storage.models import CardVersionRow


@dataclass(frozen=True)
class DesignedCard:
    """A whole designed card.

    Parameters
    ----------
    teaching : sign, tell, meaning, urgency and look_alike.
    references : what the lines rest on, readable.
    """

    id: str
    title: str
    position: int
    recipe: Recipe
    teaching: Mapping[str, str]
    references: Sequence[str]
    origin: Literal["shipped", "school"] = "school"

    def content(self, catalogue: Catalogue) -> dict[str, Any]:
        """Return everything that its version keeps, laid out as a shipped card's is."""
        return {
            "card": {
                "id": self.id,
                "title": self.title,
                "position": self.position,
                **self.recipe.card_table(),
                "teaching": dict(self.teaching),
                "icd10": list(codes_of(self.recipe, catalogue)),
            },
            "view": catalogue.views[self.recipe.view].model_dump(mode="json"),
            "references": list(self.references),
        }


def codes_of(recipe: Recipe, catalogue: Catalogue) -> tuple[str, ...]:
    """Return the ICD-10 codes of what a recipe's eyes show."""
    if recipe.kind == "look-alike":
        return catalogue.look_alikes[recipe.about].icd10
    codes = [code for name in recipe.findings for code in catalogue.finding(name).icd10]
    return tuple(dict.fromkeys(codes))


def put_in_use(
    session: Session, catalogue: Catalogue, card: DesignedCard, now: datetime
) -> CardVersionRow:
    """Make this the version in use of its card. The same again changes nothing. Writes.

    New words alone keep the eyes in stock; another recipe has new ones drawn.
    """
    recipe = card.recipe
    head = CardHead(
        id=card.id,
        title=card.title,
        kind=recipe.kind,
        position=card.position,
        finding=recipe.about if recipe.kind == "finding" else None,
        mimics=recipe.mimics,
        source="rendered",
        origin=card.origin,
    )
    content = card.content(catalogue)
    return put_version(session, head, content, recipe_hash(content), now)
