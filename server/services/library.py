"""The library: what a learner may look up about a finding or look-alike, picture by picture.

The pictures are the gallery's own (`services.gallery.plates`): a severity is a
frame of a fixed ladder, so that the eyes on a page are few, shared by all who
look at them, and small enough to have at hand before the finger moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from server.errors import BadInput, NotFound
from server.rendering.eye import FINDINGS, Feature
from server.rendering.features import painter_of, painters, variant_of
from server.services.catalogue import Catalogue, FindingText, LookAlikeText, Support
from server.services.gallery.numbers import GalleryEye, PlateNumber, ladder

EYES: Final = 6
"""Different eyes to look at; few, so that most of them have been drawn for somebody before."""
STEPS: Final = 6
"""Frames from the faintest severity that is asked to the most marked."""
OPENS_AT: Final = 75
"""Severity in hundredths at which a page opens: plain, but not the extreme."""
TOP: Final = 100

VIEWS: Final[dict[str, tuple[str, ...]]] = {
    "swollen-margin": ("photograph", "disc"),
    "pale-disc": ("photograph", "disc"),
    "enlarged-cup": ("photograph", "disc"),
    "new-vessels": ("photograph", "disc", "macula"),
    "peripheral-pigment": ("wide", "temporal"),
    "macular-change": ("photograph", "macula"),
}
"""By finding: the field of a photograph first, then where one comes closer."""


@dataclass(frozen=True)
class Shown:
    """What a visitor chose to see: one eye of a kind, and at which severity first.

    Parameters
    ----------
    kind, variant : a finding or look-alike and one of its variants.
    eye : the eye and the view of it.
    hundredths : a severity of `frames`.
    """

    kind: str
    variant: str
    eye: GalleryEye
    hundredths: int

    @property
    def numbers(self) -> tuple[PlateNumber, ...]:
        """The frames of the slider, the healthy twin first."""
        first = PlateNumber(self.kind, self.variant, 0, self.eye)
        return tuple(first.at(step) for step in frames(self.kind, first.variant))

    @property
    def asked_for(self) -> tuple[PlateNumber, ...]:
        """The same in the order in which they are wanted: what is on the screen first."""
        return tuple(
            sorted(
                self.numbers,
                key=lambda one: (one.hundredths != self.hundredths, one.hundredths != 0),
            )
        )


@dataclass(frozen=True)
class Beside:
    """Something that this kind is mistaken for (or mistaken with), and what tells them apart."""

    kind: str
    name: str
    tells: str
    reference: str
    """The published source of that line, or that it is common practice."""


@dataclass(frozen=True)
class Claim:
    """A source and the lines that rest on it."""

    supports: str
    reference: str


def check_kind(kind: str) -> str:
    """Return a kind that the library holds; raises NotFound that says where all of them are."""
    if kind not in painters():
        raise NotFound("The library has no such page: all of them are listed at /library.")
    return kind


def finding_of(kind: str) -> str:
    """Return the finding that a kind is, or that it resembles."""
    return kind if kind in FINDINGS else painter_of(kind).mimics


def text_of(kind: str, catalogue: Catalogue) -> FindingText | LookAlikeText:
    """Return the words about a finding or look-alike."""
    return catalogue.finding(kind) if kind in FINDINGS else catalogue.look_alikes[kind]


def usual_age(kind: str, catalogue: Catalogue) -> int:
    """Return an age at which the cards show a kind: no atrophy in a child's eye."""
    middles = [
        (card.age[0] + card.age[1]) / 2
        for card in catalogue.cards
        if card.age and card.features and card.features[0].kind == kind
    ]
    return round(median(middles)) if middles else 45


def frames(kind: str, variant: str) -> tuple[int, ...]:
    """Return the severities of the slider in hundredths: 0, then evenly from the floor to 100."""
    floor = ladder(kind, variant)[0]
    rise = (TOP - floor) / (STEPS - 1)
    return (0, *(round(floor + step * rise) for step in range(STEPS)))


def views_of(kind: str) -> tuple[str, ...]:
    """Return the views that show a kind, the usual one first."""
    return VIEWS[finding_of(kind)]


def choose(
    kind: str,
    catalogue: Catalogue,
    *,
    variant: str = "",
    eye: int = 1,
    side: str = "right",
    fundus: str = "medium",
    view: str = "",
    severity: int = OPENS_AT,
) -> Shown:
    """Return what a page shows for the words of its address.

    A severity between two frames becomes the nearest, so that old links keep working.

    Raises
    ------
    NotFound : there is no such kind.
    BadInput : anything else that is not offered; the message names what is.
    """
    check_kind(kind)
    if not 1 <= eye <= EYES:
        raise BadInput(f"eye {eye} is outside 1 to {EYES}")
    views = views_of(kind)
    if view and view not in views:
        raise BadInput(f"view {view!r} is not one of: {', '.join(views)}")
    chosen = variant_of(Feature(kind, variant))
    return Shown(
        kind,
        chosen,
        GalleryEye(eye, side, fundus, usual_age(kind, catalogue), view or views[0]),
        min(frames(kind, chosen), key=lambda step: abs(step - severity)),
    )


def beside(kind: str, catalogue: Catalogue) -> tuple[Beside, ...]:
    """Return what to set beside a kind: a finding's look-alikes, a look-alike's finding."""
    if kind not in FINDINGS:
        return (_mimicked(kind, catalogue),)
    found = [
        Beside(
            one.look_alike,
            catalogue.look_alikes[one.look_alike].name,
            one.text,
            catalogue.sources[one.source].reference if one.source else one.confidence,
        )
        for one in catalogue.finding(kind).confusions
    ]
    named = {one.kind for one in found}
    for slug, text in catalogue.look_alikes.items():
        if text.mimics == kind and slug not in named:
            found.append(Beside(slug, text.name, text.tell, _reference(text, "tell", catalogue)))
    return tuple(found)


def _mimicked(kind: str, catalogue: Catalogue) -> Beside:
    text = catalogue.look_alikes[kind]
    finding = catalogue.finding(text.mimics)
    return Beside(finding.slug, finding.name, text.tell, _reference(text, "tell", catalogue))


def _reference(text: FindingText | LookAlikeText, line: str, catalogue: Catalogue) -> str:
    for support in text.sources:
        if line in support.supports:
            return _named(support, catalogue)
    return ""


def _named(support: Support, catalogue: Catalogue) -> str:
    if not support.source:
        return "Common practice, no source."
    remembered = " (from memory)" if support.confidence == "memory" else ""
    return catalogue.sources[support.source].reference + remembered


def beside_number(shown: Shown, kind: str) -> PlateNumber:
    """Return the picture of another kind on the very same eye, plain to see."""
    return PlateNumber(kind, "", OPENS_AT, shown.eye)


def claims(kind: str, catalogue: Catalogue, lines: Sequence[str]) -> tuple[Claim, ...]:
    """Return the sources of a kind's lines, of those lines that a page shows."""
    shown = set(lines)
    return tuple(
        Claim(
            ", ".join(line for line in support.supports if line in shown),
            _named(support, catalogue),
        )
        for support in text_of(kind, catalogue).sources
        if shown.intersection(support.supports)
    )
