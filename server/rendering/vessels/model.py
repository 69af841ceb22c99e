"""What a vessel tree is, how a finding may change it, and what it looks like on a pixel grid."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.frame import Frame

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

ByPlace = Callable[[Floats, Floats], Floats]
"""A function of canonical x and y (arrays, degrees) giving one number per point."""

Amount = float | ByPlace
"""One number for the whole tree, or a function of place."""

# Names of the trunks of one half of the fundus, in the order in which they leave
# the temporal arcade on its way out of the disc.
TRUNKS: tuple[str, ...] = (
    "temporal",
    "horizontal",
    "nasal",
    "upright",
    "outer",
    "macular",
    "cilioretinal",
    "capillary",
)


@dataclass(frozen=True, eq=False)
class Tree:
    """The arterioles or the venules of one eye as a forest of short straight pieces.

    Every array has one entry per node; a node other than a root stands for the
    piece between its parent and itself. A parent always comes before its
    children.

    Parameters
    ----------
    x, y : canonical degrees.
    parent : index of the node nearer to the disc, -1 at a root.
    radius : half the width of the blood column, degrees.
    path : length along the vessel from its root, degrees.
    to_tip : length along the vessel to the end of its main stem, degrees.
    trunk : index in TRUNKS of the trunk that the node lies on, -1 on a side branch.
    lower : whether the node belongs to the inferior half.
    front : whether the vessel lies over the other tree where they cross here.
    bend_x, bend_y : the part of the position that makes the vessel sinuous, degrees: a
        tortuosity twice as high moves the node by that much again.
    """

    x: Floats
    y: Floats
    parent: NDArray[np.int32]
    radius: Floats
    path: Floats
    to_tip: Floats
    trunk: NDArray[np.int8]
    lower: NDArray[np.bool_]
    front: NDArray[np.bool_]
    bend_x: Floats
    bend_y: Floats

    def __len__(self) -> int:
        return len(self.x)

    @property
    def children(self) -> NDArray[np.int32]:
        """Number of children of every node."""
        counts = np.bincount(self.parent[self.parent >= 0], minlength=len(self))
        return counts.astype(np.int32)

    def tangent(self) -> tuple[Floats, Floats]:
        """Unit direction of flow away from the disc at every node."""
        above = np.where(self.parent >= 0, self.parent, np.arange(len(self)))
        dx, dy = self.x - self.x[above], self.y - self.y[above]
        root = self.parent < 0
        first = np.full(len(self), -1)
        first[self.parent[::-1][self.parent[::-1] >= 0]] = np.arange(len(self))[::-1][
            self.parent[::-1] >= 0
        ]
        dx[root], dy[root] = dx[first[root]], dy[first[root]]
        length = np.maximum(np.hypot(dx, dy), 1e-9)
        return dx / length, dy / length


@dataclass(frozen=True, eq=False)
class Vasculature:
    """Both trees of one eye and the anatomy that they were grown on."""

    seed: int
    anatomy: Anatomy
    arteries: Tree
    veins: Tree


@dataclass(frozen=True)
class VesselChanges:
    """What findings do to the vessels of an eye; the defaults change nothing.

    Parameters
    ----------
    artery_calibre, vein_calibre : factor on the width, a number or a function of place.
    artery_tortuosity, vein_tortuosity : factor on the sinuous part of the course; above about
        1.35 (arteries) and 1.9 (veins) vessels of a kind start to cross each other.
    vein_beading : 0 to 1, sausage-like widening and narrowing of veins, a number or by place.
    opacity : factor on how much of the vessel is seen, a number or by place (swollen tissue
        over it, myelin). ``artery_opacity`` and ``vein_opacity`` multiply it.
    nasal_shift : degrees by which the trunks are pushed nasally on the disc.
    cup_bend : degrees by which a vessel steps sideways where it climbs out of the cup
        (bayoneting), a number or by place, using ``cup`` or ``cup_edge`` for where the
        cup's edge is.
    cup_fade : 0 to 1, how far vessels vanish under the overhanging edge of ``cup``.
    cup : the anatomy with the changed cup, or None for the eye's own.
    cup_edge : function of place that is below 1 inside the cup, for a cup that no ellipse
        describes (a notch); None to go by ``cup``.
    fine_disc_loss : 0 to 1, share of the fine vessels on the disc that are gone.
    reflex : factor on the light streak of arteries.
    seen : function of a tree giving a mask of the nodes that are drawn, or None for all.
    """

    artery_calibre: Amount = 1.0
    vein_calibre: Amount = 1.0
    artery_tortuosity: float = 1.0
    vein_tortuosity: float = 1.0
    vein_beading: Amount = 0.0
    opacity: Amount = 1.0
    artery_opacity: Amount = 1.0
    vein_opacity: Amount = 1.0
    nasal_shift: float = 0.0
    cup_bend: Amount = 0.0
    cup_fade: float = 0.0
    cup: Anatomy | None = None
    cup_edge: ByPlace | None = None
    fine_disc_loss: float = 0.0
    reflex: float = 1.0
    seen: Callable[[Tree], NDArray[np.bool_]] | None = None


@dataclass(frozen=True, eq=False)
class VesselMap:
    """For every pixel, the nearest vessel of one tree.

    Parameters
    ----------
    packed : float32 (rows, size, 4), side by side so that drawing and shading touch one
        place in memory per pixel: signed distance from the axis, radius (0 far from any
        vessel), opacity (negative where this vessel lies over the other tree), length
        along the vessel.

    Notes
    -----
    Each property is float32 (rows, size).
    """

    packed: Pixels

    @property
    def inside(self) -> Pixels:
        """Signed distance to the wall in pixels, positive inside (-1000 far away)."""
        gap = self.packed[..., 1] - np.abs(self.packed[..., 0])
        return np.where(self.packed[..., 1] > 0, gap, np.float32(-1000))

    @property
    def offset(self) -> Pixels:
        """Signed distance from the vessel's axis in pixels, positive left of the flow as seen."""
        return self.packed[..., 0]

    @property
    def radius(self) -> Pixels:
        """Half width of the nearest vessel in pixels, 0 where none is near."""
        return self.packed[..., 1]

    @property
    def opacity(self) -> Pixels:
        """How much of the vessel is seen, 0 to 1."""
        return np.abs(self.packed[..., 2])

    @property
    def front(self) -> Pixels:
        """1 where this vessel lies over the other tree, 0 where under."""
        return (self.packed[..., 2] < 0).astype(np.float32)

    @property
    def along(self) -> Pixels:
        """Length along the vessel from its root, degrees (for marks that follow a vessel)."""
        return self.packed[..., 3]


@dataclass(frozen=True, eq=False)
class VesselMaps:
    """Both trees laid out for the pixel grid of a frame, after changes.

    Their maps are larger than the picture and are made by ``raster.strips`` where they are
    needed. ``facts`` has the calibres at the disc's edge and the like, as numbers whose names
    end in their unit.
    """

    frame: Frame
    changes: VesselChanges
    placed_arteries: Tree
    placed_veins: Tree
    artery_opacity: Floats
    vein_opacity: Floats
    facts: Mapping[str, float] = field(default_factory=dict)

    @property
    def trees(self) -> tuple[tuple[Tree, Floats], tuple[Tree, Floats]]:
        """Arteries and veins, each with the opacity of its nodes."""
        return (
            (self.placed_arteries, self.artery_opacity),
            (self.placed_veins, self.vein_opacity),
        )
