"""Growing the vessels of an eye: trunks, branches, sinuous courses, widths and depths."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.eye import Eye
from server.rendering.streams import stream
from server.rendering.vessels import calibre, crossings, growth, planting, pruning, tortuosity
from server.rendering.vessels.model import Floats, Tree, Vasculature
from server.rendering.vessels.trunks import lay_trunks

_ATTEMPTS = 4
_LOSS = 0.13
"""A tree that loses more than this share of its nodes to crossings is grown afresh."""


def grow(eye: Eye, anatomy: Anatomy) -> Vasculature:
    """Grow the arterioles and venules of an eye.

    The same seed and anatomy give the same trees, and are remembered: the healthy
    twin and other severities of an eye cost nothing more.
    """
    return _grow(eye.seed, anatomy)


@lru_cache(maxsize=4)
def _grow(seed: int, anatomy: Anatomy) -> Vasculature:
    best: Vasculature | None = None
    best_loss = 1.0
    for attempt in range(_ATTEMPTS):
        vasculature, loss = _attempt(seed, anatomy, attempt)
        if loss < best_loss:
            best, best_loss = vasculature, loss
        if loss <= _LOSS:
            break
    assert best is not None
    return best


def _attempt(seed: int, anatomy: Anatomy, attempt: int) -> tuple[Vasculature, float]:
    name = f"vessels {attempt}"
    growing = []
    for artery in (True, False):
        own = stream(seed, f"{name} trunks {'artery' if artery else 'vein'}")
        trunks = lay_trunks(anatomy, stream(seed, f"{name} plan"), own, artery)
        growing.append(planting.plant(trunks))
    growth.branch(growing[0], growing[1], anatomy, stream(seed, f"{name} branches"))

    # One eye has wide vessels and another narrow ones, of both kinds.
    scale = float(np.exp(stream(seed, f"{name} calibre").normal(0.0, 0.11)))
    trees, losses = [], []
    for artery, g in zip((True, False), growing, strict=True):
        tree, loss = _finish(seed, name, anatomy, g, artery, scale)
        trees.append(tree)
        losses.append(loss)
    arteries, veins = trees
    met = crossings.between(arteries, veins)
    depth = stream(seed, f"{name} depth")
    # Artery in front at 67% of crossings (control eyes, Am J Ophthalmol 1990).
    share = float(np.clip(depth.normal(0.67, 0.05), 0.55, 0.8))
    veins.front[:] = crossings.order_depths(met, veins, depth, share)
    return Vasculature(seed, anatomy, arteries, veins), max(losses)


def _finish(
    seed: int, name: str, anatomy: Anatomy, g: planting.Growing, artery: bool, scale: float
) -> tuple[Tree, float]:
    n = int(g.count[0])
    x, y, parent = g.x[:n].copy(), g.y[:n].copy(), g.parent[:n].copy()
    trunk, lower = g.trunk[:n].copy(), g.lower[:n].copy()
    kind = "artery" if artery else "vein"

    tips = (np.bincount(parent[parent >= 0], minlength=n) == 0).astype(float)
    leaves = calibre.sums(tips, parent)
    growth.settle(x, y, parent, leaves, 12, 0.5)

    course, sinuous = tortuosity.bend(
        x, y, anatomy,
        stream(seed, f"{name} course"),
        stream(seed, f"{name} course {kind}"),
        anatomy.artery_tortuosity * 0.82 if artery else anatomy.vein_tortuosity,
    )  # fmt: skip
    moved = course + sinuous
    x, y = x + moved[:, 0], y + moved[:, 1]

    level = np.hypot(x - anatomy.disc_x, y - anatomy.disc_y) / (anatomy.disc_diameter / 2)
    spared = (trunk >= 0) & (level < 0.9)
    kept = np.ones(n, np.bool_)
    for _ in range(4):
        keep = ~crossings.offenders(x, y, parent, leaves, spared)
        keep &= ~pruning.hooks(x, y, parent, leaves)
        if keep.all():
            break
        x, y, parent, trunk, lower, leaves, spared, sinuous = _only(
            keep, x, y, parent, trunk, lower, leaves, spared, sinuous
        )
        kept = kept[: len(x)]
    loss = 1.0 - len(x) / n

    rng = stream(seed, f"{name} widths {kind}")
    radius = calibre.widths(x, y, parent, trunk, lower, anatomy, rng, artery, scale)
    path = calibre.path_lengths(x, y, parent)
    to_tip = calibre.main_stem_tips(path, parent, radius)
    tree = Tree(
        x=x, y=y, parent=parent, radius=radius, path=path, to_tip=to_tip, trunk=trunk,
        lower=lower, front=np.zeros(len(x), np.bool_), bend_x=sinuous[:, 0].copy(),
        bend_y=sinuous[:, 1].copy(),
    )  # fmt: skip
    return tree, loss


def _only(
    keep: NDArray[np.bool_],
    x: Floats,
    y: Floats,
    parent: NDArray[np.int32],
    trunk: NDArray[np.int8],
    lower: NDArray[np.bool_],
    leaves: Floats,
    spared: NDArray[np.bool_],
    sinuous: Floats,
) -> tuple[
    Floats, Floats, NDArray[np.int32], NDArray[np.int8], NDArray[np.bool_], Floats,
    NDArray[np.bool_], Floats,
]:  # fmt: skip
    """Drop nodes (always whole subtrees) and renumber the parents."""
    number = np.cumsum(keep).astype(np.int32) - 1
    left = parent[keep]
    left = np.where(left >= 0, number[np.maximum(left, 0)], -1).astype(np.int32)
    return (
        x[keep], y[keep], left, trunk[keep], lower[keep], leaves[keep], spared[keep],
        sinuous[keep],
    )  # fmt: skip
