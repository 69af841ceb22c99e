"""Sinuous courses: a smooth displacement of the retina that carries a whole tree with it.

A field that moves neighbouring vessels together cannot make two of them cross,
as long as it does not fold; so all sinuosity comes from fields and none from
vessels one by one.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from server.rendering.anatomy import Anatomy
from server.rendering.vessels.model import Floats

# Wavelength and amplitude (degrees) of the octaves; the first shapes the eye and is
# shared by both trees, the others are one tree's and scale with its tortuosity.
_COARSE = (30.0, 0.85)
_OWN = (21.0, 0.40)
_FINE = ((10.5, 0.34), (4.9, 0.155), (2.3, 0.060))
_WAVES = 6


@njit(cache=True, fastmath=True)
def _add_waves(x: Floats, y: Floats, waves: Floats, out: Floats) -> None:
    for i in range(len(x)):
        total_x = 0.0
        total_y = 0.0
        for w in range(len(waves)):
            value = math.sin(waves[w, 0] * x[i] + waves[w, 1] * y[i] + waves[w, 2])
            total_x += waves[w, 3] * value
            total_y += waves[w, 4] * value
        out[i, 0] += total_x
        out[i, 1] += total_y


def field(
    rng: np.random.Generator, x: Floats, y: Floats, wavelength: float, amplitude: float
) -> Floats:
    """Return a smooth random displacement at points, shape (n, 2), in degrees.

    A sum of plane waves of random direction; ``amplitude`` is the root mean
    square of each component.
    """
    angle = rng.uniform(0, 2 * np.pi, _WAVES)
    number = 2 * np.pi / (wavelength * rng.uniform(0.72, 1.35, _WAVES))
    push = rng.uniform(0, 2 * np.pi, _WAVES)
    gain = amplitude * math.sqrt(2.0 * 2.0 / _WAVES)
    waves = np.stack(
        [
            number * np.cos(angle),
            number * np.sin(angle),
            rng.uniform(0, 2 * np.pi, _WAVES),
            gain * np.cos(push),
            gain * np.sin(push),
        ],
        axis=1,
    )
    out = np.zeros((len(x), 2))
    _add_waves(x, y, waves, out)
    return out


def bend(
    x: Floats,
    y: Floats,
    anatomy: Anatomy,
    shared: np.random.Generator,
    own: np.random.Generator,
    tortuosity: float,
) -> tuple[Floats, Floats]:
    """Return the displacement that shapes a tree and the part that makes it sinuous.

    Parameters
    ----------
    x, y : nodes, degrees.
    anatomy : where disc and fovea are.
    shared : generator in the same state for both trees.
    own : this tree's generator.
    tortuosity : factor on the sinuous part.

    Returns
    -------
    course, sinuous : (n, 2) each, degrees; the node moves by their sum.
    """
    from_disc = np.hypot(x - anatomy.disc_x, y - anatomy.disc_y) / (anatomy.disc_diameter / 2)
    ecc2 = x * x + y * y
    # Disc and fovea stay where the anatomy says.
    off_disc = 0.08 + 0.92 * (1 - np.exp(-((from_disc / 2.0) ** 2)))
    off_fovea = 1 - np.exp(-ecc2 / 16.0)
    still = (off_disc * off_fovea)[:, None]
    course = (field(shared, x, y, *_COARSE) + field(own, x, y, *_OWN)) * still
    (w0, a0), (w1, a1), (w2, a2) = _FINE
    on_disc = np.exp(-((from_disc / 1.25) ** 2))
    near_fovea = (1 - 0.75 * np.exp(-ecc2 / 4.0))[:, None]
    sinuous = field(own, x, y, w0, a0) * still
    sinuous += field(own, x, y, w1, a1) * near_fovea * (0.35 + 0.65 * off_disc)[:, None]
    sinuous += field(own, x, y, w2, a2) * near_fovea * (1 + 0.5 * on_disc)[:, None]
    return course, sinuous * tortuosity
