"""Recipes: what a card fixes about its eyes, and the fresh eye drawn for each look.

A recipe is plain data, read from a card's table; drawing from it needs only a
seed, and a severity where one is asked for: history keeps both, so a look can
be drawn again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar, cast

import numpy as np

from server.errors import BadInput
from server.rendering.eye import FINDINGS, Eye, Feature, Side, View
from server.rendering.features import floor_of, variant_of
from server.rendering.population import draw_eye
from server.rendering.streams import stream

Kind = Literal["finding", "normal", "look-alike"]
KINDS: tuple[Kind, ...] = ("finding", "normal", "look-alike")
SIDES: tuple[Side, ...] = ("left", "right")

CASE_MIX: Mapping[Kind, float] = {"normal": 0.40, "finding": 0.38, "look-alike": 0.22}
"""Shares of the realistic mix: our own judgement, between screening (nearly all
normal) and teaching (nearly all abnormal)."""

_AIM_DEG = 0.9
"""How far the middle of a photograph strays from its target, standard deviation, degrees:
our own judgement from the scatter of discs in published sets."""

Range = tuple[float, float]
Name = TypeVar("Name", bound=str)

BOUNDS: Mapping[str, Range] = {
    "pigmentation": (0.0, 1.0),
    "age": (8.0, 95.0),
    "quality": (0.0, 1.0),
}
"""How far each range of a recipe may reach."""


@dataclass(frozen=True)
class FeatureRange:
    """A feature whose severity is drawn evenly between two bounds."""

    kind: str
    variant: str
    severity: Range


@dataclass(frozen=True)
class Drawn:
    """What one look shows: everything `render` needs."""

    eye: Eye
    features: tuple[Feature, ...]
    view: View


@dataclass(frozen=True)
class CardRecipe:
    """What a card fixes about its eyes; what it leaves open is drawn from the population.

    Parameters
    ----------
    id : the card's slug.
    kind : 'finding', 'normal' or 'look-alike'.
    features : painted features; the first is the card's own.
    view : part of the fundus shown; its size is replaced when drawing.
    pigmentation, age, quality : bounds, or None for the population's spread.
    side, camera : fixed choices, or None for the population's.
    mimics : look-alikes only: the finding they are taken for.
    """

    id: str
    kind: Kind
    features: tuple[FeatureRange, ...]
    view: View
    pigmentation: Range | None = None
    age: Range | None = None
    quality: Range | None = None
    side: Side | None = None
    camera: str | None = None
    mimics: str | None = None

    @property
    def findings(self) -> tuple[str, ...]:
        """The findings that its eyes must show, the card's own first; none for the other kinds."""
        if self.kind != "finding":
            return ()
        return tuple(one.kind for one in self.features if one.kind in FINDINGS)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], views: Mapping[str, View]) -> CardRecipe:
        """Read a card's table; teaching texts and sources are left to others.

        Raises
        ------
        BadInput
            Naming the card and what is allowed, when something is missing,
            unknown or out of range.
        """
        name = data.get("id")
        if not isinstance(name, str) or not name:
            raise BadInput("a card needs an id")
        try:
            return cls._read(name, data, views)
        except BadInput as error:
            raise BadInput(f"card {name!r}: {error}") from error

    @classmethod
    def _read(cls, name: str, data: Mapping[str, Any], views: Mapping[str, View]) -> CardRecipe:
        kind = read_choice("kind", data.get("kind"), KINDS)
        view = read_choice("view", data.get("view"), tuple(views))
        features = tuple(read_feature(each) for each in data.get("features", ()))
        if kind == "normal" and features:
            raise BadInput("a normal eye has no features")
        if kind != "normal" and not features:
            raise BadInput(f"a {kind} needs at least one feature")
        if kind == "finding" and features[0].kind not in FINDINGS:
            raise BadInput(f"the first feature of a finding is one of: {', '.join(FINDINGS)}")
        mimics = data.get("mimics")
        if mimics is not None:
            read_choice("mimics", mimics, FINDINGS)
        side = data.get("side")
        return cls(
            id=name,
            kind=kind,
            features=features,
            view=views[view],
            **{name: read_bounds(name, data.get(name), *ends) for name, ends in BOUNDS.items()},
            side=None if side is None else read_choice("side", side, SIDES),
            camera=data.get("camera"),
            mimics=mimics,
        )

    def draw(self, seed: int, size_px: int = 1024, *, severity: float | None = None) -> Drawn:
        """Draw the eye, features and view of one look; the same seed draws the same.

        Parameters
        ----------
        severity : of the card's own feature, held within its bounds; None draws it too.
        """
        rng = stream(seed, "card")
        # Always five draws, used or not: fixing one thing must not shift the others.
        shares = rng.random(3 + len(self.features))
        eye = draw_eye(
            seed,
            side=self.side,
            pigmentation=_within(self.pigmentation, shares[0]),
            age=_within(self.age, shares[1]),
            camera=self.camera,
            quality=_within(self.quality, shares[2]),
        )
        features = tuple(
            Feature(each.kind, each.variant, cast(float, _within(each.severity, share)))
            for each, share in zip(self.features, shares[3:], strict=True)
        )
        if severity is not None and features:
            low, high = self.features[0].severity
            own = replace(features[0], severity=min(max(severity, low), high))
            features = (own, *features[1:])
        return Drawn(eye, features, self._aimed(seed, size_px))

    def _aimed(self, seed: int, size_px: int) -> View:
        """Return the view as a patient's eye holds it: near where it was meant to look."""
        aim = np.clip(stream(seed, "aim").normal(0.0, _AIM_DEG, 2), -2 * _AIM_DEG, 2 * _AIM_DEG)
        x, y = self.view.centre_deg
        centre = (round(x + float(aim[0]), 2), round(y + float(aim[1]), 2))
        return replace(self.view, centre_deg=centre, size_px=size_px)


def view_from_dict(data: Mapping[str, Any]) -> View:
    """Read one table of named views: ``field_deg`` and ``centre_deg``."""
    try:
        x, y = data["centre_deg"]
        return View(float(data["field_deg"]), (float(x), float(y)))
    except (KeyError, TypeError, ValueError) as error:
        raise BadInput(f"a view needs field_deg and centre_deg = [x, y]: {error!r}") from error


def choose_card(cards: Sequence[CardRecipe], seed: int) -> CardRecipe:
    """Choose one card as a realistic mix would: normal, then by finding, then look-alikes.

    Every finding is equally likely, and every card within its finding.
    """
    if not cards:
        raise BadInput("there are no cards to choose from")
    rng = stream(seed, "case mix")
    groups: dict[tuple[Kind, str], list[CardRecipe]] = {}
    for card in cards:
        own = card.features[0].kind if card.kind == "finding" else ""
        groups.setdefault((card.kind, own), []).append(card)
    names = sorted(groups)
    weights = np.array(
        [CASE_MIX[kind] / sum(other == kind for other, _ in names) for kind, _ in names]
    )
    group = groups[names[int(rng.choice(len(names), p=weights / weights.sum()))]]
    return sorted(group, key=lambda card: card.id)[int(rng.integers(len(group)))]


def read_feature(data: Mapping[str, Any]) -> FeatureRange:
    """Read one feature's table; raises BadInput naming what is allowed."""
    kind = str(data.get("kind", ""))
    variant = variant_of(Feature(kind, str(data.get("variant", ""))))
    severity = read_bounds("severity", data.get("severity"), 0.0, 1.0)
    if severity is None:
        raise BadInput(f"{kind!r} needs severity = [low, high]")
    floor = floor_of(kind, variant)
    if severity[0] < floor:
        raise BadInput(
            f"{kind!r} ({variant}) cannot be seen below severity {floor}; "
            f"this card starts at {severity[0]}"
        )
    return FeatureRange(kind, variant, severity)


def read_choice(what: str, value: object, allowed: Sequence[Name]) -> Name:
    """Return a value that is one of those allowed; raises BadInput naming them."""
    if value not in allowed:
        raise BadInput(f"{what} {value!r} is not one of: {', '.join(allowed)}")
    return cast(Name, value)


def read_bounds(what: str, value: object, least: float, most: float) -> Range | None:
    """Return [low, high] within least and most, or None; raises BadInput naming them."""
    if value is None:
        return None
    try:
        if isinstance(value, str):
            raise TypeError("letters are no bounds")
        low, high = (float(bound) for bound in cast(Sequence[float], value))
    except (TypeError, ValueError) as error:
        raise BadInput(f"{what} is a pair [low, high]; this is {value!r}") from error
    if not least <= low <= high <= most:
        raise BadInput(f"{what} {[low, high]} does not rise within {least:g} to {most:g}")
    return low, high


def _within(bounds: Range | None, share: float) -> float | None:
    return None if bounds is None else bounds[0] + (bounds[1] - bounds[0]) * float(share)
