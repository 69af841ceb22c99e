"""The number under a gallery picture: all that is needed to draw the same picture again.

A number such as ``pale-disc.temporal.65.7rm50.p45.v1`` reads: kind, variant,
severity in hundredths, then the eye (seed 7, right, medium fundus, 50 years),
the view and the renderer's version. A remark that quotes it can be traced
years later. No database library is loaded here: drawing processes import it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from server.errors import BadInput
from server.rendering.eye import RENDERER_VERSION, Eye, Feature, Side, View
from server.rendering.features import floor_of, variant_of
from server.rendering.population import draw_eye

SIZES: Final = (512, 768, 1024, 1536)
"""Pixels across; the number leaves it out, since a size changes no truth."""
USUAL_SIZE: Final = 768

SIDES: Final[Mapping[str, Side]] = {"r": "right", "l": "left"}
TONES: Final[Mapping[str, str]] = {"l": "light", "m": "medium", "d": "dark"}
PIGMENTATION: Final[Mapping[str, float]] = {"light": 0.15, "medium": 0.5, "dark": 0.85}
QUALITY: Final = 0.93
"""A good photograph: a reviewer is to judge the finding, not the haze."""

OLDEST, YOUNGEST = 95, 8
LAST_SEED: Final = 999_999

LADDER: Final = (45, 65, 85, 100)
"""Severities in hundredths that follow the floor."""
STEP_FROM_FLOOR: Final = 8
"""A rung closer to the floor than this would show the same again."""


@dataclass(frozen=True)
class GalleryView:
    """A part of the fundus that a reviewer can choose."""

    code: str
    slug: str
    title: str
    field_deg: float
    centre_deg: tuple[float, float]


VIEWS: Final = (
    GalleryView("p45", "photograph", "Photograph, 45°", 45.0, (-7.0, 0.0)),
    GalleryView("w60", "wide", "Wide photograph, 60°", 60.0, (-7.0, 0.0)),
    GalleryView("d22", "disc", "Close-up of the disc, 22°", 22.0, (-15.5, -1.5)),
    GalleryView("m25", "macula", "Close-up of the macula, 25°", 25.0, (0.0, 0.0)),
    GalleryView("t50", "temporal", "Temporal field, 50°", 50.0, (27.0, 0.0)),
)

_NUMBER = re.compile(
    r"(?P<kind>[a-z-]+)\.(?P<variant>[a-z-]+)\.(?P<severity>\d{1,6})"
    r"\.(?P<seed>\d{1,9})(?P<side>[lr])(?P<tone>[lmd])(?P<age>\d{1,3})"
    r"\.(?P<view>[a-z]\d\d)\.v(?P<version>\d{1,6})"
)
LONGEST_NUMBER: Final = 120


@dataclass(frozen=True)
class GalleryEye:
    """One eye of the gallery and the view of it.

    Parameters
    ----------
    seed : 1 to 999999.
    side : 'right' or 'left'.
    fundus : 'light', 'medium' or 'dark'.
    age : whole years, 8 to 95.
    view : a slug of `VIEWS`.
    """

    seed: int = 1
    side: str = "right"
    fundus: str = "medium"
    age: int = 50
    view: str = "photograph"

    def __post_init__(self) -> None:
        if not 1 <= self.seed <= LAST_SEED:
            raise BadInput(f"eye {self.seed} is outside 1 to {LAST_SEED}")
        if not YOUNGEST <= self.age <= OLDEST:
            raise BadInput(f"age {self.age} is outside {YOUNGEST} to {OLDEST}")
        _one_of("side", self.side, tuple(SIDES.values()))
        _one_of("fundus", self.fundus, tuple(TONES.values()))
        _one_of("view", self.view, tuple(view.slug for view in VIEWS))

    @property
    def shown(self) -> GalleryView:
        """The view with its field."""
        return next(view for view in VIEWS if view.slug == self.view)

    @property
    def code(self) -> str:
        """The eye's part of a number."""
        return f"{self.seed}{self.side[0]}{self.fundus[0]}{self.age}.{self.shown.code}"

    def drawn(self) -> Eye:
        """The eye as the renderer takes it."""
        side: Side = "left" if self.side == "left" else "right"
        return draw_eye(
            self.seed,
            side=side,
            pigmentation=PIGMENTATION[self.fundus],
            age=float(self.age),
            quality=QUALITY,
        )

    def seen(self, size_px: int) -> View:
        """The view as the renderer takes it."""
        return View(self.shown.field_deg, self.shown.centre_deg, size_px)


@dataclass(frozen=True)
class PlateNumber:
    """Kind, variant and severity on an eye, drawn by one version of the renderer.

    Raises
    ------
    BadInput
        For an unknown kind or variant or a severity outside 0 to 100
        hundredths; the message names what is allowed.
    """

    kind: str
    variant: str
    hundredths: int
    eye: GalleryEye
    version: int = RENDERER_VERSION

    def __post_init__(self) -> None:
        Feature(self.kind, self.variant, self.hundredths / 100)
        object.__setattr__(self, "variant", variant_of(Feature(self.kind, self.variant)))
        if not 1 <= self.version <= RENDERER_VERSION:
            raise BadInput(
                f"renderer version {self.version} is unknown here: this program knows "
                f"1 to {RENDERER_VERSION}"
            )

    def __str__(self) -> str:
        stem = f"{self.kind}.{self.variant}.{self.hundredths}"
        return f"{stem}.{self.eye.code}.v{self.version}"

    @property
    def severity(self) -> float:
        """0 to 1."""
        return self.hundredths / 100

    @property
    def features(self) -> tuple[Feature, ...]:
        """What the renderer is to paint; nothing for the healthy twin."""
        return (Feature(self.kind, self.variant, self.severity),) if self.hundredths else ()

    @property
    def strip(self) -> str:
        """What the severities of one variant on one eye have in common."""
        return f"{self.kind}.{self.variant}.{self.eye.code}.v{self.version}"

    def at(self, hundredths: int) -> PlateNumber:
        """The same at another severity."""
        return replace(self, hundredths=hundredths)

    @classmethod
    def parse(cls, text: str) -> PlateNumber:
        """Read a number; raises BadInput that shows what one looks like."""
        found = _NUMBER.fullmatch(text) if len(text) <= LONGEST_NUMBER else None
        if found is None:
            raise BadInput(
                "this is not the number of a gallery picture; one looks like "
                f"pale-disc.temporal.65.7rm50.p45.v{RENDERER_VERSION}"
            )
        view = next((view.slug for view in VIEWS if view.code == found["view"]), found["view"])
        eye = GalleryEye(
            int(found["seed"]),
            SIDES[found["side"]],
            TONES[found["tone"]],
            int(found["age"]),
            view,
        )
        return cls(
            found["kind"], found["variant"], int(found["severity"]), eye, int(found["version"])
        )


def ladder(kind: str, variant: str) -> tuple[int, ...]:
    """Return the severities shown of a variant, in hundredths: its floor, then up to 100."""
    floor = math.ceil(round(100 * floor_of(kind, variant), 6))
    return (floor, *(rung for rung in LADDER if rung >= floor + STEP_FROM_FLOOR))


def strip_of(kind: str, variant: str, eye: GalleryEye) -> tuple[PlateNumber, ...]:
    """Return the numbers of a row: the healthy twin, then the ladder of severities."""
    first = PlateNumber(kind, variant, 0, eye)
    return (first, *(first.at(rung) for rung in ladder(kind, first.variant)))


def check_size(size_px: int) -> int:
    """Return the size if it is one of `SIZES`; raises BadInput naming them."""
    if size_px not in SIZES:
        sizes = ", ".join(str(size) for size in SIZES)
        raise BadInput(f"size {size_px} is not one of: {sizes}")
    return size_px


def _one_of(what: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise BadInput(f"{what} {value!r} is not one of: {', '.join(allowed)}")
