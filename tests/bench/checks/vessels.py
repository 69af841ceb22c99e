"""Rows 14 to 22: the vessels' calibres, branching, crossings and density."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.optimize import brentq
from skimage.morphology import skeletonize

from server.rendering import draw_eye
from server.rendering.anatomy import draw_anatomy
from server.rendering.eye import MM_PER_DEGREE, View
from server.rendering.frame import Frame
from server.rendering.vessels import NO_CHANGES, Tree, grow, lay_out, visible_masks
from server.rendering.vessels.crossings import between as cross_between
from server.rendering.vessels.crossings import within
from tests.bench.checks.check import Check, between

VIEW = View(45.0, (-7.0, 0.0), 565)
Floats = NDArray[np.float64]


def vessel_checks(count: int) -> list[Check]:
    """Grow the vessels of ``count`` eyes and measure them."""
    found: dict[str, list[float]] = {}

    def note(name: str, *values: float) -> None:
        found.setdefault(name, []).extend(float(value) for value in values)

    frame = Frame.of(VIEW)
    field = np.hypot(frame.x - VIEW.centre_deg[0], frame.y) < VIEW.field_deg / 2
    for seed in range(count):
        eye = draw_eye(seed)
        anatomy = draw_anatomy(eye)
        vessels = grow(eye, anatomy)
        maps = lay_out(vessels, NO_CHANGES, frame)
        facts = maps.facts
        note("artery", facts["artery_calibre_um"])
        note("vein", facts["vein_calibre_um"])
        note("ratio", facts["artery_vein_ratio"])
        note("disc", anatomy.disc_horizontal_mm * 1000)
        for kind, tree in (("artery", vessels.arteries), ("vein", vessels.veins)):
            level = anatomy.disc_level(tree.x, tree.y)
            note("same", sum(level[pair].max() > 1.0 for pair in within(tree)))
            exponents, angles = _forks(tree, level)
            note(f"{kind} exponent", *exponents)
            note("angle", *angles)
        pairs = cross_between(vessels.arteries, vessels.veins)
        outside = anatomy.disc_level(vessels.veins.x, vessels.veins.y)[pairs[:, 1]] > 1.0
        note("front", *(~vessels.veins.front[pairs[outside, 1]]).tolist())
        arterioles, venules = visible_masks(maps).values()
        traced = (arterioles | venules) & field
        note("area", traced.sum() / field.sum())
        if seed < 40:
            note("fractal", _sandbox(traced))
        clear = distance_transform_edt(~traced)
        column, row = (round(v) for v in frame.to_pixels(0.0, 0.0))
        near = clear[row - 12 : row + 13, column - 12 : column + 13]
        note("free", 2 * near.max() / frame.px_per_mm)
    return _rows({name: np.array(values) for name, values in found.items()})


def _rows(v: dict[str, Floats]) -> list[Check]:
    artery, vein, disc = v["artery"], v["vein"], v["disc"]
    widths = float(np.mean(disc / artery)), float(np.mean(disc / vein))
    exponents = float(np.median(v["artery exponent"])), float(np.median(v["vein exponent"]))
    return [
        Check(
            14, "calibre at the disc edge, um: mean (range)", "113+-10 (+-38), 149+-10 (+-52)",
            "Jonas 1988",
            f"{artery.mean():.0f} ({artery.min():.0f}-{artery.max():.0f}), "
            f"{vein.mean():.0f} ({vein.min():.0f}-{vein.max():.0f})",
            between(artery.mean(), 103, 123) and between(vein.mean(), 139, 159)
            and bool(np.all(np.abs(artery - 113) <= 38) and np.all(np.abs(vein - 149) <= 52)),
        ),
        Check(
            15, "disc in arteriole and venule widths", "16.3+-1.5, 12.3+-1.5", "Jonas 1988",
            f"{widths[0]:.1f}, {widths[1]:.1f}",
            between(widths[0], 14.8, 17.8) and between(widths[1], 10.8, 13.8),
        ),
        Check(
            16, "artery/vein width: mean (range)", ".70-.82 (.5-1.0)", "Jonas 1988",
            f"{v['ratio'].mean():.2f} ({v['ratio'].min():.2f}-{v['ratio'].max():.2f})",
            between(v["ratio"].mean(), 0.70, 0.82)
            and bool(np.all((v["ratio"] >= 0.5) & (v["ratio"] <= 1.0))),
        ),
        Check(
            17, "branching exponent artery, vein; angle", "2.6+-.3, 1.95+-.3; 78+-6", "Luo 2017",
            f"{exponents[0]:.2f}, {exponents[1]:.2f}; {v['angle'].mean():.0f}",
            between(exponents[0], 2.3, 2.9) and between(exponents[1], 1.65, 2.25)
            and between(v["angle"].mean(), 72, 84),
        ),
        Check(
            18, "same-kind crossings off the disc", "0", "anatomy, memory",
            f"{v['same'].sum():.0f} in {len(artery)} eyes", bool(v["same"].sum() == 0),
        ),
        Check(
            19, "artery in front at crossings", "55-80%", "Am J Ophthalmol 1990",
            f"{v['front'].mean():.0%} of {len(v['front'])}",
            between(v["front"].mean(), 0.55, 0.80) and len(v["front"]) >= 500,
        ),
        Check(
            20, "sandbox dimension of the skeleton, 10-110 px of 565", "1.75+-.10",
            "Masters 2004; 40 hand-traced photographs, computed",
            f"{v['fractal'].mean():.2f} SD {v['fractal'].std():.2f}",
            between(v["fractal"].mean(), 1.65, 1.85),
        ),
        Check(
            21, "vessel area in the 45 deg field: mean (range)", "10-14% (7-17%)",
            "40 hand-traced photographs, computed",
            f"{v['area'].mean():.1%} ({v['area'].min():.1%}-{v['area'].max():.1%})",
            between(v["area"].mean(), 0.10, 0.14)
            and bool(np.all((v["area"] >= 0.07) & (v["area"] <= 0.17))),
        ),
        Check(
            22, "vessel-free disc at the fovea, mm: mean (least)", ".5-.9 (>=.5)",
            "OCT angiography series, 82 eyes",
            f"{v['free'].mean():.2f} ({v['free'].min():.2f})",
            between(v["free"].mean(), 0.5, 0.9) and bool(v["free"].min() >= 0.5),
        ),
    ]  # fmt: skip


def _forks(tree: Tree, level: Floats) -> tuple[list[float], list[float]]:
    """Exponents and total angles at forks of parents 50 to 100 um wide."""
    children: dict[int, list[int]] = {}
    for node, parent in enumerate(tree.parent.tolist()):
        if parent >= 0:
            children.setdefault(parent, []).append(node)
    main = {p: max(c, key=lambda k: tree.radius[k]) for p, c in children.items()}

    def direction(start: int, fork: int) -> Floats:
        node = start
        while (
            node in main
            and np.hypot(tree.x[node] - tree.x[fork], tree.y[node] - tree.y[fork]) < 0.5
        ):
            node = main[node]
        way = np.array([tree.x[node] - tree.x[fork], tree.y[node] - tree.y[fork]])
        return np.asarray(way / np.hypot(*way))

    exponents, angles = [], []
    for fork, pair in children.items():
        width = 2000 * MM_PER_DEGREE * tree.radius[fork]
        if len(pair) != 2 or level[fork] < 1.2 or not 50 <= width <= 100:
            continue
        one, two = (tree.radius[k] / tree.radius[fork] for k in pair)
        if max(one, two) < 0.9999:
            exponents.append(float(brentq(lambda x, a=one, b=two: a**x + b**x - 1, 0.2, 20)))
        cosine = float(direction(pair[0], fork) @ direction(pair[1], fork))
        angles.append(float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))))
    return exponents, angles


def _sandbox(traced: NDArray[np.bool_]) -> float:
    spine: Any = skeletonize(traced)  # type: ignore[no-untyped-call]
    rows, columns = np.nonzero(spine)
    radii = np.geomspace(10, 110, 8)
    inner = np.flatnonzero(np.hypot(columns - 282, rows - 282) < 282 - 60)
    chosen = inner[:: max(1, len(inner) // 150)]
    apart = np.hypot(columns[chosen, None] - columns[None, :], rows[chosen, None] - rows[None, :])
    mass = [np.log((apart < r).sum(axis=1)).mean() for r in radii]
    return float(np.polyfit(np.log(radii), mass, 1)[0])
