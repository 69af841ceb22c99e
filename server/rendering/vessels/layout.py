"""An eye's vessels as one picture needs them: changed by findings, placed on a pixel grid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.rendering.anatomy import Anatomy
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.frame import Frame
from server.rendering.streams import stream
from server.rendering.vessels.model import (
    TRUNKS,
    Amount,
    Floats,
    Tree,
    Vasculature,
    VesselChanges,
    VesselMaps,
)
from server.rendering.vessels.tortuosity import field

_CAPILLARY = TRUNKS.index("capillary")
_TEMPORAL = TRUNKS.index("temporal")
NO_CHANGES = VesselChanges()


def lay_out(vasculature: Vasculature, changes: VesselChanges, frame: Frame) -> VesselMaps:
    """Place both trees, changed, on a pixel grid.

    Parameters
    ----------
    vasculature : from ``grow``.
    changes : what findings do; ``VesselChanges()`` is the healthy eye.
    frame : the pixel grid (canonical orientation).
    """
    arteries, artery_opacity = place(vasculature, changes, True)
    veins, vein_opacity = place(vasculature, changes, False)
    artery_um = calibre_um(arteries, vasculature.anatomy)
    vein_um = calibre_um(veins, vasculature.anatomy)
    facts = {
        "artery_calibre_um": artery_um,
        "vein_calibre_um": vein_um,
        "artery_vein_ratio": artery_um / vein_um,
        "fine_disc_vessels": float(
            fine_disc_vessels(arteries, artery_opacity, vasculature.anatomy)
            + fine_disc_vessels(veins, vein_opacity, vasculature.anatomy)
        ),
    }
    return VesselMaps(frame, changes, arteries, veins, artery_opacity, vein_opacity, facts)


def place(vasculature: Vasculature, changes: VesselChanges, artery: bool) -> tuple[Tree, Floats]:
    """Return one tree after changes, and the opacity of its nodes (0 to 1)."""
    tree = vasculature.arteries if artery else vasculature.veins
    anatomy = vasculature.anatomy
    x, y = _moved(tree, anatomy, changes, artery)
    level = anatomy.disc_level(x, y)
    radius = tree.radius * _uneven(tree, vasculature.seed, level, artery)
    radius = radius * _amount(changes.artery_calibre if artery else changes.vein_calibre, x, y)
    if not artery:
        beading = np.clip(_amount(changes.vein_beading, x, y), 0, 1)
        if np.any(beading > 0):
            # Irregular in step and in strength: even beads look turned on a lathe.
            rng = stream(vasculature.seed, "vein beads")
            drift = 2.2 * field(rng, x, y, 7.0, 1.0)[:, 0]
            strength = np.clip(0.75 + 0.5 * field(rng, x, y, 5.0, 1.0)[:, 0], 0.1, 1.4)
            wave = np.sin(2 * np.pi * tree.path / 0.95 + drift)
            radius = radius * (1 + beading * strength * (0.36 * wave - 0.03))
    opacity = _opacity(tree, level, changes, anatomy, x, y, artery)
    return replace(tree, x=x, y=y, radius=radius), opacity


def _moved(
    tree: Tree, anatomy: Anatomy, changes: VesselChanges, artery: bool
) -> tuple[Floats, Floats]:
    more = (changes.artery_tortuosity if artery else changes.vein_tortuosity) - 1.0
    x = tree.x + more * tree.bend_x
    y = tree.y + more * tree.bend_y
    if changes.nasal_shift:
        pull = changes.nasal_shift * np.exp(-((anatomy.disc_level(x, y) / 0.95) ** 4))
        x = x + pull * anatomy.disc_x / anatomy.disc_distance
        y = y + pull * anatomy.disc_y / anatomy.disc_distance
    if callable(changes.cup_bend) or changes.cup_bend:
        dx, dy = x - anatomy.disc_x, y - anatomy.disc_y
        reach = np.maximum(np.hypot(dx, dy), 1e-6)
        # Inside the cup the vessel runs displaced along the wall; each trunk its own way.
        within = 1 - _ss(0.86, 1.08, _cup_level(changes, anatomy, x, y))
        way = np.where((tree.trunk + 2 * tree.lower + artery) % 2 == 0, 1.0, -1.0)
        step = _amount(changes.cup_bend, x, y) * within * way * np.clip(reach / 0.8, 0, 1)
        x, y = x - step * dy / reach, y + step * dx / reach
    return x, y


def _cup_level(changes: VesselChanges, anatomy: Anatomy, x: Floats, y: Floats) -> Floats:
    """Return the position in the cup as changed: 1 on its edge, less inside."""
    if changes.cup_edge is not None:
        return np.asarray(changes.cup_edge(x, y), float)
    return (changes.cup or anatomy).cup_level(x, y)


def _uneven(tree: Tree, seed: int, level: Floats, artery: bool) -> Floats:
    """Return the slight unevenness of width along every vessel, stronger on the disc."""
    rng = stream(seed, f"calibre along {'artery' if artery else 'vein'}")
    slow = field(rng, tree.x, tree.y, 3.4, 0.040)[:, 0]
    disc = field(rng, tree.x, tree.y, 1.3, 0.075)[:, 0] * np.exp(-((level / 0.9) ** 2))
    tip = 0.66 + 0.34 * _ss(0.0, 2.0, tree.to_tip)
    # A trunk narrows where it dives out of sight.
    root = 0.74 + 0.26 * _ss(0.0, 0.8, tree.path)
    return np.clip(1 + slow + disc, 0.7, 1.3) * tip * root


def _opacity(
    tree: Tree,
    level: Floats,
    changes: VesselChanges,
    anatomy: Anatomy,
    x: Floats,
    y: Floats,
    artery: bool,
) -> Floats:
    # A stem that forks in sight goes on down; a trunk that climbs out of the cup by itself
    # dims where it comes up from behind the tissue, and shows no end.
    stems = np.flatnonzero((tree.parent < 0) & (tree.trunk == _TEMPORAL))
    apart = float(np.hypot(np.ptp(tree.x[stems]), np.ptp(tree.y[stems])))
    if apart < 0.12:
        opacity = 0.50 + 0.50 * _ss(0.0, 0.55, tree.path)
    else:
        opacity = 0.04 + 0.96 * _ss(-0.05, 0.95, tree.path)
    opacity *= 0.55 + 0.45 * _ss(0.0, 1.8, tree.to_tip)
    fine = tree.trunk == _CAPILLARY
    opacity[fine] *= 0.15 + 0.85 * _ss(0.0, 0.6, tree.path[fine])
    opacity *= _amount(changes.opacity, x, y)
    opacity *= _amount(changes.artery_opacity if artery else changes.vein_opacity, x, y)
    if changes.fine_disc_loss:
        small = 1 - _ss(0.045, 0.095, tree.radius)
        small[fine] = 1.0
        opacity *= 1 - changes.fine_disc_loss * 0.9 * small * (1 - _ss(0.95, 1.25, level))
    if changes.cup_fade:
        edge = _cup_level(changes, anatomy, x, y)
        hidden = _ss(0.76, 0.93, edge) * (1 - _ss(0.97, 1.05, edge))
        # A trunk bridges the edge at least in part; a small vessel is lost under it.
        least = 0.35 * _ss(0.09, 0.20, tree.radius)
        opacity *= 1 - changes.cup_fade * hidden * (1 - least)
    if changes.seen is not None:
        opacity = np.where(changes.seen(replace(tree, x=x, y=y)), opacity, 0.0)
    return np.clip(opacity, 0.0, 1.0)


def calibre_um(tree: Tree, anatomy: Anatomy) -> float:
    """Mean width of the two temporal trunks just outside the disc, micrometres."""
    level = np.hypot(tree.x - anatomy.disc_x, tree.y - anatomy.disc_y) / (anatomy.disc_diameter / 2)
    widths = []
    for lower in (False, True):
        ring = (tree.trunk == _TEMPORAL) & (tree.lower == lower) & (level > 1.0) & (level < 1.35)
        if ring.any():
            widths.append(float(tree.radius[ring].mean()) * 2000 * MM_PER_DEGREE)
    return float(np.mean(widths)) if widths else float("nan")


def fine_disc_vessels(tree: Tree, opacity: Floats, anatomy: Anatomy) -> int:
    """Count the fine vessels seen to cross the disc's margin (Kestenbaum's count)."""
    level = anatomy.disc_level(tree.x, tree.y)
    above = np.maximum(tree.parent, 0)
    crosses = (tree.parent >= 0) & (level >= 0.8) & (level[above] < 0.8)
    return int(np.sum(crosses & (tree.radius < 0.085) & (opacity > 0.3)))


def _amount(amount: Amount, x: Floats, y: Floats) -> Floats | float:
    return amount(x, y) if callable(amount) else float(amount)


def _ss(low: float, high: float, value: Floats) -> Floats:
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3 - 2 * t)
