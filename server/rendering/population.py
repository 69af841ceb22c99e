"""Drawing eyes as they come: side, age, pigmentation, camera and quality."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.errors import BadInput
from server.rendering.camera import CAMERAS
from server.rendering.eye import Eye, Side
from server.rendering.streams import stream


def draw_eye(
    seed: int,
    *,
    side: Side | None = None,
    pigmentation: float | None = None,
    age: float | None = None,
    camera: str | None = None,
    quality: float | None = None,
) -> Eye:
    """Draw an eye from its seed; whatever is given is kept as given.

    Parameters
    ----------
    seed : any integer.
    side : 'left' or 'right'; drawn half and half.
    pigmentation : 0 (very light) to 1 (very dark); drawn over the whole range, most in the
        middle: a continuous trait, not a label.
    age : years, 8 to 95; drawn as an eye clinic's, from children to the old.
    camera : a style of ``CAMERAS``; drawn by the eye's own camera stream when left out.
    quality : 0 to 1; drawn mostly good, with a tail of hazy pictures.

    Raises
    ------
    BadInput
        If a value is out of its range or unknown.
    """
    rng = stream(seed, "population")
    right, dark, grown, clear = rng.random(4)
    if side is None:
        side = "right" if right < 0.5 else "left"
    elif side not in ("left", "right"):
        raise BadInput(f"side {side!r} is neither 'left' nor 'right'")
    if pigmentation is None:
        # A broad hump with both ends kept: very light and very dark eyes are met.
        pigmentation = float(np.clip(0.02 + 0.96 * (0.55 * dark + 0.45 * rng.beta(2.2, 2.2)), 0, 1))
    if age is None:
        age = float(np.interp(grown, [0, 0.12, 0.35, 0.65, 0.9, 1], [9, 22, 38, 57, 74, 90]))
    if quality is None:
        quality = float(np.interp(clear, [0, 0.05, 0.2, 0.6, 1.0], [0.50, 0.68, 0.82, 0.92, 1.0]))
    for name, value, low, high in (
        ("pigmentation", pigmentation, 0.0, 1.0),
        ("age", age, 8.0, 95.0),
        ("quality", quality, 0.0, 1.0),
    ):
        if not low <= value <= high:
            raise BadInput(f"{name} {value} is outside {low:g} to {high:g}")
    if camera and camera not in CAMERAS:
        raise BadInput(f"unknown camera {camera!r}; known: {', '.join(CAMERAS)}")
    return Eye(seed, side, pigmentation, age, camera or "", quality)


def fellow_eye(eye: Eye) -> Eye:
    """Return the other eye of the same person: similar, not identical.

    Pigmentation, camera, age and quality are the same, disc, cup and angles
    correlate as measured in fellow eyes, vessels are its own. The fellow of a
    fellow is the eye itself.
    """
    side: Side = "left" if eye.side == "right" else "right"
    if eye.person is not None:
        return replace(eye, seed=eye.person, side=side, person=None)
    seed = int(stream(eye.seed, "fellow eye").integers(2**53))
    return replace(eye, seed=seed, side=side, person=eye.seed)
