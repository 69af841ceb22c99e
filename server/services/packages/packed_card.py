"""A card as it travels: rows of a package's tables, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from server.rendering.recipe import BOUNDS
from server.services.authoring.draft import LINES, NORMAL, DraftWords, words_of
from server.services.authoring.marking import write_marks
from server.services.packages import tables
from server.services.packages.tables import Cells
from server.services.photograph_cards import CardPhotograph, is_of_photographs
from server.services.recipes import SCHEMA, Recipe
from server.storage.pictures import SUFFIX

PICTURES: Final = "pictures/"

Rows = dict[str, list[Cells]]
"""Rows of a card by the name of their table."""

FOLLOWS: Final = ("version", "icd10", "words_credit", "words_licence")
"""Columns of a card that do not make another card of it: its codes are this program's own."""


@dataclass(frozen=True)
class PackedCard:
    """A card with all that travels of it.

    Parameters
    ----------
    version : 1, 2, 3 …
    kind, mimics, icd10 : as the card's version keeps them.
    words_credit, words_licence : who wrote the words, and their terms.
    recipe : what its eyes have in common; None for a card of photographs.
    """

    id: str
    version: int
    position: int
    kind: str
    mimics: str
    icd10: tuple[str, ...]
    words: DraftWords
    photographs: tuple[CardPhotograph, ...]
    words_credit: str
    words_licence: str
    recipe: Recipe | None = None

    def rows(self) -> Rows:
        """Return the card's rows, table by table."""
        rows: Rows = {table.name: [] for table in tables.TABLES}
        rows["cards"].append(self._card())
        rows["references"] = [
            {"card": self.id, "number": number, "reference": line}
            for number, line in enumerate(self.words.references.splitlines(), start=1)
        ]
        if self.recipe is not None:
            rows["recipes"].append(_recipe(self.id, self.recipe))
            rows["features"] = _features(self.id, self.recipe)
        for number, one in enumerate(self.photographs, start=1):
            rows["photographs"].append(_photograph(self.id, number, one))
            rows["regions"] += _regions(self.id, number, one)
        return rows

    def _card(self) -> Cells:
        words = self.words
        return {
            "id": self.id,
            "version": self.version,
            "title": words.title,
            "source": "photograph" if self.recipe is None else "rendered",
            "kind": self.kind,
            "shows": "" if words.about == NORMAL else words.about,
            "mimics": self.mimics,
            "position": self.position,
            "icd10": " ".join(self.icd10),
            **{name: getattr(words, name) for name in LINES},
            "words_credit": self.words_credit,
            "words_licence": self.words_licence,
        }

    def says(self) -> dict[str, Any]:
        """Return what two cards must have in common to be the same."""
        rows: dict[str, Any] = dict(self.rows())
        rows["cards"] = [
            {name: cell for name, cell in row.items() if name not in FOLLOWS}
            for row in rows["cards"]
        ]
        return rows


def packed(
    content: Mapping[str, Any], version: int, words_credit: str, words_licence: str
) -> PackedCard:
    """Return the version of a card that a school made, as it is stored, ready to travel."""
    card = content["card"]
    of_photographs = is_of_photographs(content)
    return PackedCard(
        id=card["id"],
        version=version,
        position=int(card["position"]),
        kind=card["kind"],
        mimics=card.get("mimics") or "",
        icd10=tuple(card["icd10"]),
        words=words_of(content),
        photographs=tuple(CardPhotograph.from_dict(one) for one in content.get("photographs", ())),
        words_credit=words_credit,
        words_licence=words_licence,
        recipe=None if of_photographs else Recipe.of_card(card),
    )


def picture_file(picture: str) -> str:
    """Return what a photograph's file is called in a package."""
    return f"{PICTURES}{picture}{SUFFIX}"


def _recipe(card_id: str, recipe: Recipe) -> Cells:
    cells: Cells = {
        "card": card_id, "view": recipe.view, "side": recipe.side or "",
        "camera": recipe.camera or "",
    }  # fmt: skip
    for name in BOUNDS:
        low, high = getattr(recipe, name) or (None, None)
        cells |= {f"{name}_from": low, f"{name}_to": high}
    return cells


def _features(card_id: str, recipe: Recipe) -> list[Cells]:
    return [
        {
            "card": card_id,
            "number": number,
            "kind": one.kind,
            "variant": one.variant,
            "severity_from": one.severity[0],
            "severity_to": one.severity[1],
        }
        for number, one in enumerate(recipe.features, start=1)
    ]


def recipe_table(recipe: Cells, features: list[Cells]) -> dict[str, Any]:
    """Return rows of a recipe in the layout that `read_recipe` reads."""
    table: dict[str, Any] = {
        "schema": SCHEMA,
        "features": [
            {
                "kind": one["kind"],
                "variant": one["variant"],
                "severity": [one["severity_from"], one["severity_to"]],
            }
            for one in features
        ],
        "view": recipe["view"],
        "side": recipe["side"] or None,
        "camera": recipe["camera"] or None,
    }
    for name in BOUNDS:
        pair = [recipe[f"{name}_from"], recipe[f"{name}_to"]]
        table[name] = None if pair == [None, None] else pair
    return table


def _photograph(card_id: str, number: int, one: CardPhotograph) -> Cells:
    return {
        "card": card_id,
        "number": number,
        "picture": picture_file(one.picture),
        "side": one.side,
        **one.attribution.to_dict(),
        "not_judged": " ".join(one.marks.to_dict()["not_judged"]),
    }


def _regions(card_id: str, photograph: int, one: CardPhotograph) -> list[Cells]:
    found: list[Cells] = []
    for number, line in enumerate(write_marks(one.marks).splitlines(), start=1):
        name, _, points = line.partition(" ")
        found.append(
            {
                "card": card_id,
                "photograph": photograph,
                "number": number,
                "marks": name,
                "points": points,
            }
        )
    return found
