"""Widths: each vessel as wide as the retina behind it needs.

At a fork d0^x = d1^x + d2^x with x near 2.6 in arteries and 1.95 in veins
(Luo 2017); the trunks are held to the calibres measured at the disc's edge
(artery 113 +- 19, vein 149 +- 26 micrometres: Jonas 1988).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.vessels.model import TRUNKS, Floats

ARTERY_MM = 0.113
VEIN_MM = 0.149

# Calibre of the trunks that leave on the disc, relative to the temporal arcade.
_SHARE = {"nasal": 0.80, "horizontal": 0.46, "macular": 0.42, "upright": 0.56, "outer": 0.78}


@njit(cache=True)
def sums(values: Floats, parent: NDArray[np.int32]) -> Floats:
    """Return for each node the sum of ``values`` over it and all nodes beyond it."""
    total = values.copy()
    for k in range(len(parent) - 1, -1, -1):
        if parent[k] >= 0:
            total[parent[k]] += total[k]
    return total


@njit(cache=True)
def _inherit(mark: NDArray[np.int32], parent: NDArray[np.int32]) -> None:
    """Give every unmarked node the mark of its parent, in place (-1 is unmarked)."""
    for k in range(len(parent)):
        if mark[k] < 0 and parent[k] >= 0:
            mark[k] = mark[parent[k]]


@njit(cache=True)
def path_lengths(x: Floats, y: Floats, parent: NDArray[np.int32]) -> Floats:
    """Return the length along the vessel from its root to each node."""
    out = np.zeros(len(x))
    for k in range(len(x)):
        p = parent[k]
        if p >= 0:
            out[k] = out[p] + np.hypot(x[k] - x[p], y[k] - y[p])
    return out


@njit(cache=True)
def main_stem_tips(path: Floats, parent: NDArray[np.int32], load: Floats) -> Floats:
    """Return the length from each node to the tip that its heaviest children lead to."""
    n = len(parent)
    heaviest = np.zeros(n)
    tip = path.copy()
    for k in range(n - 1, -1, -1):
        p = parent[k]
        if p >= 0 and load[k] > heaviest[p]:
            heaviest[p] = load[k]
            tip[p] = tip[k]
    return tip - path


def widths(
    x: Floats,
    y: Floats,
    parent: NDArray[np.int32],
    trunk: NDArray[np.int8],
    lower: NDArray[np.bool_],
    anatomy: Anatomy,
    rng: np.random.Generator,
    artery: bool,
    scale: float,
) -> Floats:
    """Return the radius of every node, degrees.

    Parameters
    ----------
    scale : the eye's factor on all calibres, shared by both trees.
    """
    n = len(x)
    exponent = rng.normal(2.55, 0.10) if artery else rng.normal(1.97, 0.08)
    usual = (ARTERY_MM if artery else VEIN_MM) / MM_PER_DEGREE / 2
    half = usual * scale * float(np.exp(rng.normal(0.0, 0.036)))
    # Inferotemporal vessels are the wider ones (Jonas 1989).
    arcade = half * np.array([0.975, 1.025]) * np.exp(rng.normal(0.0, 0.04, 2))
    arcade = np.clip(arcade, 0.77 * usual, 1.23 * usual)

    children = np.bincount(parent[parent >= 0], minlength=n)
    need = np.where(children == 0, np.exp(rng.normal(0.0, 0.45, n)), 0.0)
    # A trunk that leaves the drawn retina still has much retina to serve.
    need[(children == 0) & (trunk >= 0)] *= 5.0
    served = sums(need, parent)

    # Governing nodes: where a trunk passes the disc's margin, or leaves the arcade inside it.
    level = np.hypot(x - anatomy.disc_x, y - anatomy.disc_y) / (anatomy.disc_diameter / 2)
    group = np.full(n, -1, np.int32)
    targets: list[float] = []
    arcade_leaf = [0.0, 0.0]
    heads: list[int] = []
    for low in (0, 1):
        on = (trunk == TRUNKS.index("temporal")) & (lower == bool(low))
        out = on & (level > 1.0)
        if not out.any():
            continue
        head = int(np.argmax(out))
        heads.append(head)
        targets.append(float(arcade[low]))
        arcade_leaf[low] = float(arcade[low]) / served[head] ** (1 / exponent)
    for low in (0, 1):
        for name, share in _SHARE.items():
            on = (trunk == TRUNKS.index(name)) & (lower == bool(low))
            if not on.any():
                continue
            head = int(np.argmax(on))
            if level[head] > 1.25:
                continue
            natural = arcade_leaf[low] * served[head] ** (1 / exponent)
            wanted = share * arcade[low] * float(np.exp(rng.normal(0.0, 0.10)))
            heads.append(head)
            targets.append(float(np.sqrt(natural * wanted)))
    fine = trunk == TRUNKS.index("capillary")
    for head in np.flatnonzero(fine & (trunk[np.maximum(parent, 0)] != trunk)).tolist():
        # A fine vessel of the disc stays fine, however much retina fell to it.
        natural = arcade_leaf[int(lower[head])] * served[head] ** (1 / exponent)
        heads.append(head)
        targets.append(float(np.clip(natural, 0.026, rng.uniform(0.040, 0.065))))
    on = trunk == TRUNKS.index("cilioretinal")
    if on.any():
        heads.append(int(np.argmax(on)))
        targets.append(float(half * rng.uniform(0.34, 0.50)))
    group[heads] = np.arange(len(heads))
    _inherit(group, parent)
    factor = np.ones(len(heads))
    for g, (head, target) in enumerate(zip(heads, targets, strict=True)):
        own = float(need[group == g].sum())
        factor[g] = target**exponent / max(own, 1e-9)
        del head
    default = min(arcade_leaf) ** exponent if min(arcade_leaf) > 0 else 0.03**exponent
    need = need * np.where(group >= 0, factor[np.maximum(group, 0)], default)
    radius = np.maximum(sums(need, parent) ** (1 / exponent), 0.019)
    # On the disc a trunk is seen to be hardly wider than outside it, although it
    # carries the nasal vessels' blood as well: much of it already lies deep.
    stem = (trunk == TRUNKS.index("temporal")) & (level <= 1.0)
    radius[stem] = np.minimum(radius[stem], 1.12 * arcade[lower[stem].astype(int)])
    return radius
