"""The form of a design: what it may send, and how a recipe stands in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, Field

from server.errors import BadInput
from server.rendering.features import floor_of
from server.rendering.recipe import BOUNDS
from server.services.authoring.preview import LAST_SET
from server.services.recipes import MOST_FEATURES, SCHEMA, Recipe

ANY = ""
"""Sent for what is left to the population."""

Word = Field(default="", max_length=80)


class DesignForm(BaseModel):
    """A design as it stands on the page, its numbers as they were typed.

    ``what`` holds a kind and variant such as 'pale-disc/temporal' for each feature, empty for
    none; ``low`` and ``high`` are their severities.
    """

    version: int = 0
    what: list[str] = Field(default_factory=list, max_length=MOST_FEATURES)
    low: list[str] = Field(default_factory=list, max_length=MOST_FEATURES)
    high: list[str] = Field(default_factory=list, max_length=MOST_FEATURES)
    view: str = Word
    side: str = Word
    camera: str = Word
    pigmentation_low: str = Word
    pigmentation_high: str = Word
    age_low: str = Word
    age_high: str = Word
    quality_low: str = Word
    quality_high: str = Word
    series: int = Field(default=0, ge=0, le=LAST_SET)
    """Which set of its eyes is looked at."""
    turn: int | None = Field(default=None, ge=0, le=LAST_SET)
    """The set asked for instead, by a button."""
    instead: str = Field(default="", max_length=400)
    """Names of the eyes that the page waits for."""

    @property
    def is_sent(self) -> bool:
        """Whether it holds a design: an address without one shows what is saved."""
        return bool(self.view)

    @property
    def shown_series(self) -> int:
        """The set of eyes to show."""
        return self.series if self.turn is None else self.turn

    @property
    def awaited(self) -> Sequence[str]:
        """The eyes that the page waits for until now."""
        return self.instead.split()

    @property
    def rows(self) -> list[tuple[str, str, str]]:
        """Kind with variant, and both severities, of every row of the form."""
        return [
            (_at(self.what, row), _at(self.low, row), _at(self.high, row))
            for row in range(MOST_FEATURES)
        ]

    def bounds(self, name: str) -> tuple[str, str]:
        """Return both ends of a range as they were typed."""
        return getattr(self, f"{name}_low"), getattr(self, f"{name}_high")

    def recipe_data(self) -> dict[str, Any]:
        """Return the values as `recipes.read_recipe` takes them; what is no number stays a word."""
        return {
            "schema": SCHEMA,
            "features": [_feature(*row) for row in self.rows if row[0]],
            "view": self.view,
            **{name: _range(*self.bounds(name), BOUNDS[name]) for name in BOUNDS},
            "side": self.side or None,
            "camera": self.camera or None,
        }

    @classmethod
    def of(cls, recipe: Recipe, version: int, series: int = 0) -> DesignForm:
        """Return the form as it shows a recipe."""
        ranges = {
            f"{name}_{end}": _written(bounds[place])
            for name in BOUNDS
            if (bounds := getattr(recipe, name)) is not None
            for place, end in enumerate(("low", "high"))
        }
        return cls(
            version=version,
            what=[f"{one.kind}/{one.variant}" for one in recipe.features],
            low=[_written(one.severity[0]) for one in recipe.features],
            high=[_written(one.severity[1]) for one in recipe.features],
            view=recipe.view,
            side=recipe.side or ANY,
            camera=recipe.camera or ANY,
            series=series,
            **ranges,
        )


def _feature(what: str, low: str, high: str) -> Mapping[str, Any]:
    kind, _, variant = what.partition("/")
    try:
        floor = floor_of(kind, variant)
    except BadInput:
        floor = 0.0
    return {
        "kind": kind,
        "variant": variant,
        "severity": _range(low, high, (floor, 1.0), full=True),
    }


def _range(
    low: str, high: str, ends: tuple[float, float], *, full: bool = False
) -> list[object] | None:
    """Return a range; one end left empty reaches as far as it may, both leave it open."""
    if not full and not low.strip() and not high.strip():
        return None
    return [_number(low, ends[0]), _number(high, ends[1])]


def _number(typed: str, otherwise: float) -> object:
    text = typed.strip().replace(",", ".")
    if not text:
        return otherwise
    try:
        return float(text)
    except ValueError:
        return typed[:20]


def _at(values: Sequence[str], row: int) -> str:
    return values[row][:80] if row < len(values) else ""


def _written(value: float) -> str:
    return f"{value:.10g}"
