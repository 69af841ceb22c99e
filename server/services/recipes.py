"""What the eyes of a designed card have in common, as plain values that travel.

A recipe is stored with a card's draft and version, and goes into packages as
JSON with these keys and no others::

    schema        1, the version of this layout
    features      up to three of {kind, variant, severity: [low, high]}; findings before
                  look-alikes, the first is what the card is about; none is a normal eye.
                  kind and variant are names of the renderer; severity is 0 to 1 and begins
                  where a trained eye sees the variant
    view          a name of seed_data/views.toml: the part of the fundus that is shown
    pigmentation  [low, high] within 0 (light) to 1 (dark); null leaves it to the population
    age           [low, high] in years within 8 to 95; null leaves it to the population
    quality       [low, high] within 0 (hazy) to 1 (clear); null leaves it to the population
    side          "right" or "left"; null is either
    camera        a camera style of the renderer; null is any

`read_recipe` reads such values from outside and names everything that is wrong with them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Protocol, TypeVar

from server.errors import BadInput
from server.rendering.camera import CAMERAS
from server.rendering.eye import FINDINGS, MM_PER_DEGREE, Side
from server.rendering.features import painter_of
from server.rendering.recipe import (
    BOUNDS,
    SIDES,
    FeatureRange,
    Kind,
    Range,
    read_bounds,
    read_choice,
    read_feature,
)
from server.rendering.visible_floors import DISC_DIAMETER_MM
from server.services.instrument import shows_the_disc

SCHEMA: Final = 1

MOST_FEATURES: Final = 3
"""More in one eye can hardly be told apart, let alone taught in five lines."""

KEYS: Final = (*("schema", "features", "view", "pigmentation", "age", "quality", "side", "camera"),)

OF_THE_DISC: Final = frozenset({"swollen-margin", "pale-disc", "enlarged-cup"})
OF_THE_MACULA: Final = frozenset({"macular-change"})

AIM_DEG: Final = 1.8
"""Farthest that a photograph strays from its aim."""

T = TypeVar("T")


class NamedView(Protocol):
    """A view of the catalogue, as far as a recipe needs it."""

    @property
    def name(self) -> str:
        """Words for the page."""

    @property
    def field_deg(self) -> float:
        """Full angle of the round field."""

    @property
    def centre_deg(self) -> tuple[float, float]:
        """Middle of the field, canonical degrees."""


@dataclass(frozen=True)
class Problem:
    """What is wrong with one field of a recipe, and what would be allowed."""

    field: str
    """A key of the layout; 'features.0' for the first feature."""
    words: str


class BadRecipe(BadInput):
    """A recipe that cannot be used; ``problems`` says field by field why."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__(" ".join(f"{one.field}: {one.words}." for one in problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Recipe:
    """What a designed card fixes about its eyes; None is left to the population.

    Parameters
    ----------
    features : findings before look-alikes; the first is what the card is about.
    view : a name of the catalogue's views.
    """

    features: tuple[FeatureRange, ...] = ()
    view: str = "photograph-45"
    pigmentation: Range | None = None
    age: Range | None = None
    quality: Range | None = None
    side: Side | None = None
    camera: str | None = None

    @property
    def kind(self) -> Kind:
        """What sort of card its eyes make."""
        if not self.features:
            return "normal"
        return "finding" if self.features[0].kind in FINDINGS else "look-alike"

    @property
    def about(self) -> str:
        """The finding or look-alike that it is about; empty for a normal eye."""
        return self.features[0].kind if self.features else ""

    @property
    def findings(self) -> tuple[str, ...]:
        """The findings that its eyes have, the card's own first."""
        return tuple(one.kind for one in self.features if one.kind in FINDINGS)

    @property
    def mimics(self) -> str | None:
        """The finding that a look-alike is taken for."""
        return painter_of(self.about).mimics if self.kind == "look-alike" else None

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, in the layout at the head of this module."""
        return {
            "schema": SCHEMA,
            "features": [
                {"kind": one.kind, "variant": one.variant, "severity": list(one.severity)}
                for one in self.features
            ],
            "view": self.view,
            **{name: _listed(getattr(self, name)) for name in BOUNDS},
            "side": self.side,
            "camera": self.camera,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Recipe:
        """Read what `to_dict` wrote. What comes from outside is read by `read_recipe`."""
        return cls(
            features=tuple(
                FeatureRange(one["kind"], one["variant"], _pair(one["severity"]))
                for one in data["features"]
            ),
            view=data["view"],
            **{name: data[name] and _pair(data[name]) for name in BOUNDS},
            side=data["side"],
            camera=data["camera"],
        )

    @classmethod
    def of_card(cls, card: Mapping[str, Any]) -> Recipe:
        """Return the recipe of any drawn card, shipped or designed, by its stored table."""
        return cls.from_dict(
            {
                "features": [
                    {**one, "variant": one.get("variant") or painter_of(one["kind"]).variants[0]}
                    for one in card.get("features", ())
                ],
                "view": card["view"],
                **{name: card.get(name) for name in (*BOUNDS, "side", "camera")},
            }
        )

    def card_table(self) -> dict[str, Any]:
        """Return what a card's table says of its eyes, as the renderer's `CardRecipe` reads it."""
        fixed = {name: value for name, value in self.to_dict().items() if value is not None}
        del fixed["schema"]
        table = {"kind": self.kind, **fixed}
        if self.mimics:
            table["mimics"] = self.mimics
        return table


def read_recipe(data: object, views: Mapping[str, NamedView]) -> Recipe:
    """Read a recipe from outside: a form, a file, a package.

    Parameters
    ----------
    views : the catalogue's, by name.

    Raises
    ------
    BadRecipe : naming every field that is wrong, and what is allowed there.
    """
    if not isinstance(data, Mapping):
        raise BadRecipe([Problem("recipe", "it is a table of named values")])
    problems: list[Problem] = []

    def field(name: str, read: Callable[[], T], otherwise: T) -> T:
        try:
            return read()
        except BadInput as problem:
            problems.append(Problem(name, str(problem)))
            return otherwise

    if data.get("schema") != SCHEMA:
        problems.append(
            Problem(
                "schema", f"{data.get('schema')!r} is unknown here; this program reads {SCHEMA}"
            )
        )
    for name in sorted(str(key) for key in set(data) - set(KEYS)):
        problems.append(Problem(name, f"there is no such field; there are: {', '.join(KEYS)}"))
    features = _features(data.get("features"), problems)
    view = field("view", lambda: read_choice("view", data.get("view"), tuple(views)), "")
    ranges = {
        name: field(name, partial(read_bounds, name, data.get(name), *BOUNDS[name]), None)
        for name in BOUNDS
    }
    side = field("side", lambda: _one_or_none("side", data.get("side"), SIDES), None)
    camera = field("camera", lambda: _one_or_none("camera", data.get("camera"), CAMERAS), None)
    if view:
        problems += _unseen(features, view, views)
    if problems:
        raise BadRecipe(problems)
    return Recipe(features, view, **ranges, side=side, camera=camera)


def shows(kind: str, view: NamedView) -> bool:
    """Whether a part of the fundus holds the place where a finding (or what resembles it) lies."""
    place = kind if kind in FINDINGS else painter_of(kind).mimics
    if place in OF_THE_DISC:
        return shows_the_disc({"centre_deg": view.centre_deg, "field_deg": view.field_deg})
    if place in OF_THE_MACULA:
        away = math.hypot(*view.centre_deg) + AIM_DEG
        return away + DISC_DIAMETER_MM / MM_PER_DEGREE <= view.field_deg / 2
    return True


def _features(data: object, problems: list[Problem]) -> tuple[FeatureRange, ...]:
    if not isinstance(data, Sequence) or isinstance(data, str):
        problems.append(Problem("features", "it is a list, empty for a normal eye"))
        return ()
    if len(data) > MOST_FEATURES:
        problems.append(Problem("features", f"an eye shows at most {MOST_FEATURES} of them"))
    found: list[FeatureRange] = []
    for number, one in enumerate(data[:MOST_FEATURES]):
        name = f"features.{number}"
        try:
            if not isinstance(one, Mapping) or set(one) - {"kind", "variant", "severity"}:
                raise BadInput("it is a table of kind, variant and severity")
            feature = read_feature(one)
        except BadInput as problem:
            problems.append(Problem(name, str(problem)))
            continue
        if any(feature.kind == other.kind for other in found):
            problems.append(Problem(name, f"{feature.kind} is there already; give each kind once"))
            continue
        found.append(feature)
    # The first finding is what the card is about, whatever resembles one beside it.
    return tuple(sorted(found, key=lambda one: one.kind not in FINDINGS))


def _unseen(
    features: Sequence[FeatureRange], view: str, views: Mapping[str, NamedView]
) -> list[Problem]:
    """Return what lies outside the field that is shown, with the views that show it."""
    hidden = [one.kind for one in features if not shows(one.kind, views[view])]
    if not hidden:
        return []
    fits = [name for name in views if all(shows(one.kind, views[name]) for one in features)]
    there = f"choose one of: {', '.join(fits)}" if fits else "no view shows all of these together"
    return [Problem("view", f"{view} does not show the place of {', '.join(hidden)}; {there}")]


def _one_or_none(name: str, value: object, allowed: Sequence[Any]) -> Any:
    return None if value is None else read_choice(name, value, allowed)


def _pair(value: Sequence[float]) -> Range:
    return float(value[0]), float(value[1])


def _listed(value: Range | None) -> list[float] | None:
    return None if value is None else list(value)
