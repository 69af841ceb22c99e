"""One picture in the making: everything a finding may look at or change.

A scene passes through four stages (see :mod:`server.rendering.features`).
Before ``prepare`` it holds the healthy eye's parameters; afterwards the vessels
are laid out (``scene.vessels``) and the light of the retina is in
``scene.linear``; then disc, vessels and camera follow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import BadInput
from server.rendering.anatomy import Anatomy, draw_anatomy
from server.rendering.blurring import enlarge, enlarge_part
from server.rendering.disc import DiscLook
from server.rendering.eye import Eye, Fact, Mask, View
from server.rendering.fibres import FibreLook
from server.rendering.frame import Crop, Floats, Frame
from server.rendering.lesions import blend
from server.rendering.noise import LineNoise, Noise
from server.rendering.retina import RetinaLook, Smooth, bare_background, smooth_layers
from server.rendering.streams import stream
from server.rendering.vessels.model import Amount, VesselChanges, VesselMaps

MASK_NAMES = frozenset(
    [
        "field",
        "disc",
        "cup",
        "rim",
        "arterioles",
        "venules",
        "fovea",
        "macula",
        "swelling-halo",
        "pallor",
        "notch",
        "nerve-fibre-defect",
        "haemorrhage",
        "cotton-wool-spot",
        "exudate",
        "fold",
        "drusen",
        "pigment-clump",
        "atrophy",
        "membrane",
        "subretinal-fluid",
        "subretinal-blood",
        "scar",
        "new-vessels",
        "preretinal-blood",
        "fibrosis",
        "microaneurysm",
        "intraretinal-shunt",
        "spicule",
        "depigmentation",
        "disc-drusen",
        "myelinated-fibres",
        "crescent",
        "laser-scar",
        "congenital-pigment",
        "naevus",
        "collateral",
    ]
)
"""Every mask a rendering may carry; a new lesion kind is added here first."""

# How the changes of two findings to one vessel parameter combine.
_MULTIPLY = frozenset(
    [
        "artery_calibre",
        "vein_calibre",
        "artery_tortuosity",
        "vein_tortuosity",
        "opacity",
        "artery_opacity",
        "vein_opacity",
        "reflex",
    ]
)
_ADD = frozenset({"nasal_shift", "cup_bend"})
_GREATEST = frozenset({"vein_beading", "cup_fade", "fine_disc_loss"})


@dataclass
class Scene:
    """The mutable state of one rendering, in the canonical frame.

    Attributes
    ----------
    eye, anatomy, frame : what is drawn, and the pixel grid. ``anatomy`` may be
        replaced in ``prepare`` for findings that change the eye's build (a
        tilted or crowded disc): then call ``rebuild_disc``.
    disc, retina, fibres : parameters of the layers, changed in ``prepare``.
    changes : what happens to the vessels; use ``change_vessels``.
    linear : linear-light RGB, float32 (size, size, 3), from ``paint_retina`` on.
    vessels : the laid-out vessels, from ``paint_retina`` on.
    masks, facts : the truth so far; use ``add_mask``.
    kept : what a painter's earlier stage leaves for its later ones, by kind
        (painters themselves are shared by all scenes and hold nothing).
    """

    eye: Eye
    frame: Frame
    anatomy: Anatomy
    disc: DiscLook
    retina: RetinaLook
    fibres: FibreLook = field(default_factory=FibreLook)
    changes: VesselChanges = field(default_factory=VesselChanges)
    masks: dict[str, Mask] = field(default_factory=dict)
    facts: dict[str, Fact] = field(default_factory=dict)
    linear: Floats = field(default_factory=lambda: np.zeros((0, 0, 3), np.float32))
    vessels: VesselMaps | None = None
    kept: dict[Any, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, eye: Eye, view: View) -> Scene:
        """Return the healthy scene of an eye in a view, before any stage."""
        anatomy = draw_anatomy(eye)
        return cls(
            eye=eye,
            frame=Frame.of(view),
            anatomy=anatomy,
            disc=DiscLook.of(eye, anatomy),
            retina=RetinaLook.of(eye, anatomy),
        )

    # -- randomness ---------------------------------------------------------

    def rng(self, layer: str) -> np.random.Generator:
        """Return the random generator of a layer: begin the name with your kind."""
        return stream(self.eye.seed, layer)

    def noise(self, layer: str, cell: float) -> Noise:
        """Return noise of a cell size (degrees) fixed to this eye's retina."""
        return Noise(self.eye.seed, layer, cell)

    def line_noise(self, layer: str, cell: float, period: float | None = None) -> LineNoise:
        """Return noise along a line, closed if it has a period (2 pi for an angle)."""
        return LineNoise(self.eye.seed, layer, cell, period)

    # -- parameters ---------------------------------------------------------

    def rebuild_disc(self, anatomy: Anatomy) -> None:
        """Give the eye another build: the disc's look is made anew from it."""
        self.anatomy = anatomy
        self.disc = DiscLook.of(self.eye, anatomy)

    def change_vessels(self, **changes: Amount | Anatomy | Callable[..., object] | None) -> None:
        """Add changes to the vessels (fields of ``VesselChanges``) to those made before.

        Factors (calibre, tortuosity, opacity, reflex) multiply, shifts add up,
        of losses and beading the greatest counts; ``cup``, ``cup_edge`` and ``seen`` replace.

        Raises
        ------
        BadInput
            If a name is no field of ``VesselChanges``.
        """
        for name, new in changes.items():
            if not hasattr(self.changes, name):
                raise BadInput(f"vessels have no change called {name!r}")
            old = getattr(self.changes, name)
            value: Any = new
            if name in _MULTIPLY:
                value = _both(old, new, np.multiply)
            elif name in _ADD:
                value = _both(old, new, np.add)
            elif name in _GREATEST:
                value = _both(old, new, np.maximum)
            self.changes = replace(self.changes, **{name: value})

    # -- places -------------------------------------------------------------

    @property
    def dd(self) -> float:
        """One disc diameter of this (healthy) eye, degrees."""
        return self.anatomy.disc_diameter

    def about_disc(self, reach: float) -> Crop:
        """Return the part of the picture within ``reach`` degrees of the disc's centre."""
        return self.frame.crop(self.disc.x, self.disc.y, reach)

    def about_fovea(self, reach: float) -> Crop:
        """Return the part of the picture within ``reach`` degrees of the fovea."""
        return self.frame.crop(0.0, 0.0, reach)

    def from_disc(self, distance: float, angle: float) -> tuple[float, float]:
        """Return the canonical point at a distance (degrees) and angle from the disc."""
        return (
            self.disc.x + distance * math.cos(angle),
            self.disc.y + distance * math.sin(angle),
        )

    # -- light --------------------------------------------------------------

    @cached_property
    def layers(self) -> Smooth:
        """The slow layers of the background, on the coarse grid."""
        return smooth_layers(self.eye, self.anatomy, self.frame)

    @cached_property
    def _bare(self) -> Floats:
        """Linear light as it would be without pigment epithelium, on the coarse grid."""
        return bare_background(self.eye, self.layers)

    def bare_over(self, crop: Crop) -> Floats:
        """Return the light of a crop as it would be without pigment epithelium.

        Atrophy, depigmentation and crescents show it.
        """
        return enlarge_part(self._bare, self.frame.size_px, crop)

    def show_bare(self, cover: Floats, crop: Crop | None = None) -> None:
        """Let bare choroid and sclera show in proportion to ``cover`` (the crop's shape)."""
        whole = crop or self.frame.whole
        for part in whole.strips():
            share = cover[part.top - whole.top : part.bottom - whole.top]
            if share.any():
                blend(self.linear[part.slices], share, self.bare_over(part))

    def to_full_size(self, coarse: Floats) -> Floats:
        """Return a map on the coarse grid enlarged to the frame."""
        n = self.frame.size_px
        return enlarge(coarse, (n, n), (float(coarse.shape[0]), float(coarse.shape[1])))

    # -- truth --------------------------------------------------------------

    def add_mask(
        self, name: str, cover: ArrayLike, crop: Crop | None = None, threshold: float = 0.5
    ) -> Mask:
        """Add where a cover (or mask) exceeds a threshold to the mask of that name.

        Parameters
        ----------
        name : one of ``MASK_NAMES``.
        cover : array of the frame's shape, or of the crop's.
        threshold : cover above which a pixel counts, 0.5 by default.

        Returns
        -------
        The full-size mask so far.
        """
        if name not in MASK_NAMES:
            names = ", ".join(sorted(MASK_NAMES))
            raise BadInput(f"no mask is called {name!r}; the names: {names}")
        n = self.frame.size_px
        mask: NDArray[np.bool_] = self.masks.setdefault(name, np.zeros((n, n), bool))
        where = np.asarray(cover)
        where = where if where.dtype == bool else where > threshold
        index = crop.slices if crop is not None else (slice(None), slice(None))
        mask[index] |= where
        return mask


def _both(old: Any, new: Any, how: np.ufunc) -> Amount:
    """Combine two amounts, each a number or a function of place."""
    if callable(old) or callable(new):

        def combined(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
            a = old(x, y) if callable(old) else old
            b = new(x, y) if callable(new) else new
            return np.asarray(how(a, b), float)

        return combined
    return float(how(old, new))
