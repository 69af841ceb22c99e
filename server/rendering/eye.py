"""What can be asked of the renderer: an eye, its features, a view, a rendering.

All geometry is in degrees of visual angle in the *canonical left-eye* frame:
the fovea is at (0, 0), the disc lies at negative x, and y runs down, so that
superior is negative. A right eye is the mirror image of the finished picture
and masks. One degree is 0.29 mm of retina in an eye of 24 mm axial length
(Bennett 1994, q = 0.01306 (AL - 1.82)).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.errors import BadInput

RENDERER_VERSION = 5
"""Stored with every look; any change of pictures is a new version."""

MM_PER_DEGREE = 0.29

Side = Literal["left", "right"]

FINDINGS: tuple[str, ...] = (
    "swollen-margin",
    "pale-disc",
    "enlarged-cup",
    "new-vessels",
    "peripheral-pigment",
    "macular-change",
)
"""The six findings, in the order in which a fundus is examined."""

Mask = NDArray[np.bool_]
Picture = NDArray[np.uint8]
Fact = float | int | str | bool


@dataclass(frozen=True)
class Feature:
    """One finding or look-alike, in one variant, at one severity.

    Parameters
    ----------
    kind : a name of FINDINGS, or of the registered look-alikes.
    variant : a name the kind declares; the empty string is its first variant.
    severity : 0 (not there) to 1 (as marked as the trade sees it).
    """

    kind: str
    variant: str = ""
    severity: float = 0.5

    def __post_init__(self) -> None:
        if not 0.0 <= self.severity <= 1.0:
            raise BadInput(f"severity {self.severity} of {self.kind!r} is outside 0 to 1")


@dataclass(frozen=True)
class View:
    """The part of the fundus a photograph shows.

    Parameters
    ----------
    field_deg : full angle of the round field, 20 to 75 degrees.
    centre_deg : canonical (x, y) of the middle of the field.
    size_px : width and height of the square picture, 64 to 4096.
    """

    field_deg: float = 45.0
    centre_deg: tuple[float, float] = (0.0, 0.0)
    size_px: int = 1024

    def __post_init__(self) -> None:
        if not 20.0 <= self.field_deg <= 75.0:
            raise BadInput(f"field of {self.field_deg} degrees is outside 20 to 75")
        if not 64 <= self.size_px <= 4096:
            raise BadInput(f"size of {self.size_px} pixels is outside 64 to 4096")
        if max(abs(self.centre_deg[0]), abs(self.centre_deg[1])) > 45.0:
            raise BadInput(f"centre {self.centre_deg} lies more than 45 degrees from the fovea")


@dataclass(frozen=True)
class Eye:
    """One virtual eye: everything about it that is not a feature or a view.

    Parameters
    ----------
    seed : source of every random draw; streams are keyed by (seed, layer name).
    side : 'left' or 'right'.
    pigmentation : 0 (very light fundus) to 1 (very dark).
    age : years, 8 to 95.
    camera : name of a camera style; the empty string lets the seed choose.
    quality : 0 (hazy, soft, unevenly lit) to 1 (sharp and clear).
    person : seed of the same person's other eye, which this one resembles; None for
        an eye that stands by itself (see ``population.fellow_eye``).
    """

    seed: int
    side: Side = "left"
    pigmentation: float = 0.45
    age: float = 40.0
    camera: str = ""
    quality: float = 0.85
    person: int | None = None

    @property
    def person_seed(self) -> int:
        """Source of the draws that both eyes of a person share: colours, camera, build."""
        return self.seed if self.person is None else self.person


@dataclass(frozen=True)
class Rendering:
    """A finished picture with its exact truth.

    ``picture`` is sRGB, shape (size, size, 3); each mask has shape
    (size, size), in the same (displayed) orientation as the picture. Facts are
    plain numbers and words in the trade's units; each key names its unit.
    """

    eye: Eye
    features: tuple[Feature, ...]
    view: View
    picture: Picture
    masks: Mapping[str, Mask]
    facts: Mapping[str, Fact] = field(default_factory=dict)
