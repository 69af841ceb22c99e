"""The relief of a fundus in millimetres: swelling stands up, a cup is hollow.

Read off a picture's masks and facts, so that the heights lie where the picture shows them;
nothing of the picture changes. 0 is the retina round the disc, positive towards the lens.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from server.errors import BadInput

Mask = NDArray[np.bool_]
Heights = NDArray[np.float32]

MM_PER_DEGREE = 0.29
"""Of the 24 mm eye that masks are drawn in (Bennett 1994)."""

_STAGES = (0.0, 1.0, 1.5, 2.5, 3.5, 4.5, 6.0)
_PEAK_MM = (0.0, 0.32, 0.46, 0.63, 0.84, 1.12, 1.50)
"""Greatest height by the stage of swelling. Chosen so that the mean volume above the retina
comes out as the excess of total retinal volume at each Frisén grade (Wang and others 2012:
1.2, 3.1, 6.1 and 10.5 mm3 more at grades 1 to 4 than at grade 0)."""

_FEATHER_MM = 0.45
"""How far beyond its mask a swelling slopes down: a mask ends where the eye can tell it."""

_LIFTED_MM: dict[str, float] = {
    "subretinal-fluid": 0.30,
    "subretinal-blood": 0.30,
    "membrane": 0.20,
    "preretinal-blood": 0.40,
    "new-vessels": 0.30,
    "fibrosis": 0.60,
    "naevus": 0.60,
}
"""Mask to height of what it shows. A naevus is under 2 mm thick (published); the others are
values from memory, and at or below what the method can tell."""

_RAISED_DISCS_MM: dict[str, float] = {
    "crowded-disc": 0.25,
    "disc-drusen": 0.70,
    "tilted-disc": 0.50,
}
"""Look-alike to height of its disc's rim at full severity (values from memory)."""


def relief(
    masks: Mapping[str, Mask],
    facts: Mapping[str, float | int | str | bool],
    field_deg: float,
    severities: Mapping[str, float] | None = None,
) -> Heights:
    """Return the height of every pixel, millimetres, in the masks' shape.

    Parameters
    ----------
    masks : of a rendering, each bool of shape (size, size); 'disc' and 'cup' are needed.
    facts : of the same rendering; 'cup_disc_ratio_vertical' and, when swollen, 'frisen_stage'.
    field_deg : full angle of the picture's field.
    severities : what was drawn, kind to severity; look-alikes raise the disc by it.

    Raises
    ------
    BadInput
        If a needed mask is missing or masks differ in shape.
    """
    for name in ("disc", "cup"):
        if name not in masks:
            raise BadInput(f"a relief is read off the masks; there is none called {name!r}")
    shape = masks["disc"].shape
    if any(mask.shape != shape for mask in masks.values()) or shape[0] != shape[1]:
        raise BadInput("the masks of one picture are squares of one shape")
    if not field_deg > 0.0:
        raise BadInput(f"a field of {field_deg} degrees shows nothing")
    px_per_mm = shape[0] / (field_deg * MM_PER_DEGREE)
    stage = float(facts.get("frisen_stage", 0.0))
    height = -_excavation(masks["cup"], facts, stage, px_per_mm)
    height += _swelling(masks, stage, px_per_mm)
    for kind, severity in (severities or {}).items():
        if kind in _RAISED_DISCS_MM:
            height += severity * _RAISED_DISCS_MM[kind] * _raised_disc(kind, masks, px_per_mm)
    for name, lifted in _LIFTED_MM.items():
        mask = masks.get(name)
        if mask is not None and mask.any():
            height += np.float32(lifted) * _softened(mask, 0.12, px_per_mm, gain=1.5)
    return height


def cup_depth_mm(ratio: float) -> float:
    """Return the depth of a cup's floor below the retina by its vertical cup-to-disc ratio.

    Larger cups are deeper (scanning tomography of normal discs); a ratio of 0.3 is given
    0.40 mm and 0.9 about 0.70 mm, so that the mean depth at 0.7 to 0.8 is that of open-angle
    glaucoma, 0.20 mm below a plane which itself lies about 0.2 to 0.3 mm under the retina's
    surface (glaucoma-like discs and open-angle glaucoma compared by tomography; the plane's
    depth is a value from memory).
    """
    if not 0.0 <= ratio <= 1.0:
        raise BadInput(f"a cup-to-disc ratio of {ratio} is outside 0 to 1")
    return 0.25 + 0.50 * ratio


def _excavation(
    cup: Mask, facts: Mapping[str, float | int | str | bool], stage: float, px_per_mm: float
) -> Heights:
    out = np.zeros(cup.shape, np.float32)
    box = _box(cup, 1)
    if box is None:
        return out
    inside = ndimage.distance_transform_edt(np.pad(cup[box], 1))[1:-1, 1:-1] / px_per_mm
    deepest = float(inside.max())
    ratio = min(max(float(facts.get("cup_disc_ratio_vertical", 0.4)), 0.0), 1.0)
    # Large cups have steep walls; small ones are dimples that never reach a floor.
    wall = 0.36 - 0.16 * ratio
    depth = cup_depth_mm(ratio) * min(deepest / wall, 1.0)
    # Swelling fills the cup from stage 3 on.
    depth *= 1.0 - float(_step(np.array((stage - 2.5) / 1.5)))
    out[box] = depth * _step(inside / min(wall, max(deepest, 1e-6)))
    return out


def _swelling(masks: Mapping[str, Mask], stage: float, px_per_mm: float) -> Heights:
    disc, halo = masks["disc"], masks.get("swelling-halo")
    if stage <= 0.0 or halo is None or not halo.any():
        return np.zeros(disc.shape, np.float32)
    peak = float(np.interp(stage, _STAGES, _PEAK_MM))
    # Early the rim alone stands up, late the whole head.
    whole = float(_step(np.array((stage - 1.0) / 2.0)))
    rim = _dome(halo, px_per_mm)
    if whole > 0.0:
        rim += np.float32(whole) * (_dome(halo | disc, px_per_mm) - rim)
    return np.float32(peak) * rim


def _dome(mask: Mask, px_per_mm: float) -> Heights:
    """Return a dome over a mask: 0 a feather beyond its edge, 1 well inside."""
    out = np.zeros(mask.shape, np.float32)
    box = _box(mask, int(_FEATHER_MM * px_per_mm) + 2)
    if box is None:
        return out
    # A picture's edge is no edge of the swelling.
    around = np.pad(mask[box], 1, mode="edge")
    far = ndimage.distance_transform_edt(around) - ndimage.distance_transform_edt(~around)
    if around.all():
        out[box] = 1.0
        return out
    level = (far[1:-1, 1:-1] / px_per_mm + _FEATHER_MM) / (2.2 * _FEATHER_MM)
    # The halo frays along the fibres; the surface beneath is smooth.
    out[box] = ndimage.gaussian_filter(_step(level), 0.15 * px_per_mm)
    return out


def _raised_disc(kind: str, masks: Mapping[str, Mask], px_per_mm: float) -> Heights:
    disc, crescent = masks["disc"], masks.get("crescent")
    soft = _softened(disc, 0.15, px_per_mm)
    if kind != "tilted-disc" or crescent is None or not crescent.any() or not disc.any():
        return soft
    # The end away from the crescent stands up.
    rows, columns = np.nonzero(disc)
    middle = np.array([rows.mean(), columns.mean()])
    low = np.array([axis.mean() for axis in np.nonzero(crescent)]) - middle
    low /= max(float(np.hypot(*low)), 1e-6)
    reach = max(float(np.sqrt(disc.sum() / np.pi)), 1.0)
    y, x = np.ogrid[: disc.shape[0], : disc.shape[1]]
    along = ((y - middle[0]) * low[0] + (x - middle[1]) * low[1]) / reach
    return np.asarray(soft * np.clip(0.5 - 0.5 * along, 0, 1), np.float32)


def _softened(mask: Mask, width_mm: float, px_per_mm: float, gain: float = 1.0) -> Heights:
    blurred = ndimage.gaussian_filter(mask.astype(np.float32), width_mm * px_per_mm)
    return np.asarray(np.minimum(gain * blurred, 1.0), np.float32)


def _box(mask: Mask, margin: int) -> tuple[slice, slice] | None:
    """Return the bounding box of a mask with a margin, or None for an empty one."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return None
    return (
        slice(max(int(rows[0]) - margin, 0), int(rows[-1]) + margin + 1),
        slice(max(int(columns[0]) - margin, 0), int(columns[-1]) + margin + 1),
    )


def _step(level: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return a smooth step from 0 at 0 to 1 at 1."""
    t = np.clip(level, 0.0, 1.0).astype(np.float32)
    return np.asarray(t * t * (3 - 2 * t), np.float32)
