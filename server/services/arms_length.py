"""The step before the fundus: the eye from an arm's length, with its red reflex, and coming in.

Both the demonstration and the looks of a round begin here. Nothing is recorded of it: what is
followed begins when the fundus is in view.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from server.optics.light import brightness
from server.optics.red_reflex import (
    OPACITIES,
    Opacity,
    OpacityKind,
    abolished,
    let_through,
    pupil_shift_mm,
    reflex,
    shift_with_examiner_mm,
    through_media,
)
from server.optics.run_lengths import runs

FROM_TEMPORAL_DEG = 15.0
"""The line that leads from the temporal side to the disc (common practice, no source)."""

HALF_EYE_MM = 15.0
"""From the pupil to the edge of the first picture. Life-size it would be three times as wide;
drawn so that a shadow in the pupil can be seen on a phone (own judgement)."""

ARM_MM = 400.0
"""Arm's length: 12 to 18 inches (American Academy of Pediatrics 2002, 2008)."""

ASIDE_MM = 60.0
"""How far the examiner moves to either side to see which way a shadow goes (own judgement)."""

REFLEX_PX = 40
LEVELS = 85
"""Steps of brightness of the reflex as it is sent; the page draws what lies between."""

DULL_BELOW = 0.75
"""Where the darkest of the reflex is below this share of the full one it is called dull (own
judgement)."""

STAYS_WITHIN_MM = 0.15
"""A shadow that goes no further than this is said to stay in its place (own judgement)."""


@dataclass(frozen=True)
class _Clouding:
    """What a kind of opacity is called, what is seen of it, and how it is made of a haze.

    Parameters
    ----------
    seen : what stands in the reflex.
    lies : where it is, after "it lies".
    diffuse : it veils the whole pupil as it veils the view; else one looks past it.
    density : of a haze of 0, and what a haze of 1 adds to it.
    stray : light of the lamp that it sends straight back, beside the fundus's.
    """

    name: str
    seen: str
    lies: str
    diffuse: bool
    density: tuple[float, float]
    stray: float


_CLOUDINGS: dict[OpacityKind, _Clouding] = {
    "corneal-scar": _Clouding(
        "A scar of the cornea",
        "a dark patch with a firm edge stands in the red reflex",
        "before the pupil",
        False,
        (0.5, 0.75),
        0.06,
    ),
    "cortical-cataract": _Clouding(
        "A cortical cataract",
        "dark spokes reach into the red reflex from its edge",
        "in the lens, close behind the pupil",
        False,
        (0.5, 0.75),
        0.02,
    ),
    "nuclear-cataract": _Clouding(
        "A nuclear cataract",
        "the red reflex is dull, darkest in the middle",
        "in the lens, behind the pupil",
        True,
        (0.0, 1.0),
        0.01,
    ),
    "posterior-subcapsular-cataract": _Clouding(
        "A posterior subcapsular cataract",
        "a dark patch with a ragged edge stands in the middle of the red reflex",
        "at the back of the lens",
        False,
        (0.4, 0.5),
        0.02,
    ),
    "vitreous-haemorrhage": _Clouding(
        "Blood in the vitreous",
        "the red reflex is dull, with dark clouds in it",
        "far behind the pupil",
        True,
        (0.0, 1.0),
        0.0,
    ),
}
"""Densities and stray light are own judgement; shapes and depths are those of the red reflex's
own file."""


def opacity(haze: float, kind: str = "nuclear-cataract", seed: int = 0) -> Opacity | None:
    """Return the clouding that makes a haze; None in clear media.

    Parameters
    ----------
    haze : of the media, 0 to 1.
    kind : a name of ``OPACITIES``; any other is refused.
    seed : where its spokes or clouds lie.
    """
    if haze <= 0.0:
        return None
    known = next((name for name in OPACITIES if name == kind), None)
    least, more = (0.0, 1.0) if known is None else _CLOUDINGS[known].density
    # An unknown kind is refused there, with the names of those that there are.
    return Opacity(kind if known is None else known, min(least + more * haze, 1.0), seed)  # type: ignore[arg-type]


def veil(pupil_mm: float, haze: float, cloud: Opacity | None) -> float:
    """Return how much of the view of the fundus is veiled, 0 to 1.

    What lies about the whole pupil veils it wholly; past a patch one looks, with the share of
    the pupil that it leaves.
    """
    if cloud is None:
        return 0.0
    if _CLOUDINGS[cloud.kind].diffuse:
        return haze
    return min(haze, round(1.0 - through_media(pupil_mm, (cloud,)), 3))


def pupil_view(
    pupil_mm: float, cloud: Opacity | None, pigmentation: float, *, nose_on_right: bool
) -> dict[str, Any]:
    """Return what the page's own drawing of the first step needs, as plain values.

    Parameters
    ----------
    nose_on_right : as the examiner sees it: of a right eye.

    Returns
    -------
    dict : half-width of the picture and pupil in mm; how far the pupil stands from the middle
        of the lids, mm to the right; brightness; and what the opacity leaves of the reflex,
        0 to 255 in run lengths, over a square of its own plane that reaches as far beyond the
        pupil as it is seen to move; its depth and that square's width in mm.
    """
    shift = pupil_shift_mm(FROM_TEMPORAL_DEG)
    depth = 0.0 if cloud is None else cloud.depth_mm
    across = pupil_mm + 2.0 * abs(shift_with_examiner_mm(depth, ASIDE_MM, ARM_MM))
    light = np.ones((REFLEX_PX, REFLEX_PX))
    if cloud is not None:
        light = let_through(cloud, across / 2.0, REFLEX_PX)
    return {
        "half": HALF_EYE_MM,
        "pupil": pupil_mm,
        "shift": round(shift if nose_on_right else -shift, 2),
        "narrow": round(math.cos(math.radians(FROM_TEMPORAL_DEG)), 3),
        "level": round(min(brightness(pupil_mm, pigmentation), 1.2), 3),
        "arm": ARM_MM,
        "aside": ASIDE_MM,
        "depth": depth,
        "across": round(across, 3),
        "stray": 0.0 if cloud is None else _CLOUDINGS[cloud.kind].stray,
        "size": REFLEX_PX,
        "light": runs((255 // LEVELS) * np.rint(LEVELS * light).astype(np.int32)),
    }


def in_words(pupil_mm: float, cloud: Opacity | None) -> str:
    """Say what the reflex looks like, for those who do not see it drawn."""
    if cloud is None or not _shows(pupil_mm, cloud):
        return "At arm's length the red reflex is even and bright: the media are clear."
    if abolished(pupil_mm, (cloud,)):
        return "At arm's length no red reflex is seen: the media are too dense."
    known = _CLOUDINGS[cloud.kind]
    return f"At arm's length {known.seen}; as you move to the side it {_moves(cloud)}."


def told(pupil_mm: float, cloud: Opacity | None) -> str:
    """Say what clouded the media, once the eye is answered; empty where nothing was to be seen."""
    if cloud is None or not _shows(pupil_mm, cloud):
        return ""
    known = _CLOUDINGS[cloud.kind]
    return f"{known.name}. From an arm's length it {_moves(cloud)}: it lies {known.lies}."


def _shows(pupil_mm: float, cloud: Opacity) -> bool:
    return float(np.nanmin(reflex(pupil_mm, (cloud,)))) < DULL_BELOW


def _moves(cloud: Opacity) -> str:
    moved = shift_with_examiner_mm(cloud.depth_mm, ASIDE_MM, ARM_MM)
    if abs(moved) <= STAYS_WITHIN_MM:
        return "stays in its place"
    return "moves along with you" if moved > 0.0 else "moves against you"
