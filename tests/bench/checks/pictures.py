"""Rows 13 and 23 to 25: colour, measured on finished pictures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering.anatomy import draw_anatomy
from server.rendering.disc import DiscLook
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.frame import Frame
from tests.bench.checks.check import Check, between

VIEW = View(45.0, (-7.0, 0.0), 768)
Floats = NDArray[np.float64]


def picture_checks(count: int) -> list[Check]:
    """Render ``count`` healthy eyes (a quarter of them with a pale disc too)."""
    vessels, medians, ordered, foveas, discs, less_red, falls = [], [], [], [], [], [], []
    for seed in range(count):
        rendering = render(draw_eye(seed), (), VIEW)
        contrast = _vessel_contrast(rendering)
        if contrast is not None:
            vessels.append(contrast)
        field = ndimage.binary_erosion(rendering.masks["field"], iterations=6)
        inside = rendering.picture[field].astype(int)
        medians.append(np.median(inside, axis=0))
        ordered.append(np.mean((inside[:, 0] > inside[:, 1]) & (inside[:, 1] > inside[:, 2])))
        foveas.append(_fovea(rendering))
        rim, ring = _rim_and_ring(rendering)
        discs.append(rim / ring)
        less_red.append(rim[0] / rim[1] < ring[0] / ring[1])
        if seed % 4 == 0:
            pale = render(rendering.eye, (Feature("pale-disc", "diffuse", 0.7),), VIEW)
            after = _rim_and_ring(pale)[0]
            falls.append(rim[0] / rim[1] - after[0] / after[1])
    return [
        *_vessel_rows(np.array(vessels)),
        *_colour_rows(np.array(medians), np.array(ordered)),
        *_fovea_rows(np.array(foveas)),
        *_disc_rows(np.array(discs), np.array(less_red), np.array(falls)),
    ]


def _vessel_rows(v: Floats) -> list[Check]:
    """``v``: shape (eyes, 2 kinds, 3 channels), vessel over background, encoded."""
    darker = (v[:, 1, :2] < v[:, 0, :2]).all(axis=1)
    m = v.mean(axis=0)
    return [
        Check(
            13, "artery green, red; vein green, red over background",
            ".82+-.08 .95+-.03; .75+-.08 .89+-.05", "40 photographs, computed",
            f"{m[0, 1]:.2f} {m[0, 0]:.2f}; {m[1, 1]:.2f} {m[1, 0]:.2f}",
            between(m[0, 1], 0.74, 0.90) and between(m[0, 0], 0.92, 0.98)
            and between(m[1, 1], 0.67, 0.83) and between(m[1, 0], 0.84, 0.94),
        ),
        Check(
            13, "vein darker than artery in green and red", "each", "40 photographs, computed",
            f"{darker.mean():.1%}", bool(darker.all()),
        ),
    ]  # fmt: skip


def _colour_rows(m: Floats, ordered: Floats) -> list[Check]:
    rg, bg = m[:, 0] / m[:, 1], m[:, 2] / m[:, 1]
    spread = float((m.std(axis=0) / m.mean(axis=0)).min())
    return [
        Check(
            23, "R>G>B share of field: mean (least eye)", ">99%", "six public sets, computed",
            f"{ordered.mean():.1%} ({ordered.min():.1%})", bool(ordered.mean() > 0.99),
        ),
        Check(
            23, "R/G (range); B/G (range); least CV", "1.2-4.5; .05-.85; >=10%",
            "Delori 1989; six public sets, computed",
            f"{np.median(rg):.2f} ({rg.min():.2f}-{rg.max():.2f}); "
            f"{np.median(bg):.2f} ({bg.min():.2f}-{bg.max():.2f}); {spread:.0%}",
            rg.min() >= 1.2 and rg.max() <= 4.5 and bg.min() >= 0.05 and bg.max() <= 0.85
            and spread >= 0.10,
        ),
    ]  # fmt: skip


def _fovea_rows(f: Floats) -> list[Check]:
    m = f.mean(axis=0)
    order = (f[:, 2] < f[:, 1]) & (f[:, 1] <= f[:, 0] + 0.03)
    return [
        Check(
            24, "fovea over surround, linear: red, green, blue", ".59 .59 .23 (+-.2)",
            "Delori and Pflibsen 1989", f"{m[0]:.2f} {m[1]:.2f} {m[2]:.2f}",
            between(m[0], 0.39, 0.79) and between(m[1], 0.39, 0.79) and between(m[2], 0.03, 0.43),
        ),
        Check(
            24, "order blue < green <= red (+.03)", "each", "Delori and Pflibsen 1989",
            f"{order.mean():.1%}", bool(order.all()),
        ),
    ]  # fmt: skip


def _disc_rows(d: Floats, less_red: Floats, falls: Floats) -> list[Check]:
    m = d.mean(axis=0)
    return [
        Check(
            25, "disc rim over ring: red, green, blue", "1.5+-.5 1.7+-.5 1.8+-.6",
            "public photographs, computed", f"{m[0]:.2f} {m[1]:.2f} {m[2]:.2f}",
            between(m[0], 1.0, 2.0) and between(m[1], 1.2, 2.2) and between(m[2], 1.2, 2.4),
        ),
        Check(
            25, "R/G of the disc below the ring's", "each", "public photographs, computed",
            f"{less_red.mean():.1%}", bool(less_red.all()),
        ),
        Check(
            25, "pale disc: fall of R/G, mean (least)", ">=.15", "Nakano 2016 (direction)",
            f"{falls.mean():.2f} ({falls.min():.2f})", bool(falls.min() >= 0.15),
        ),
    ]  # fmt: skip


def _canonical(rendering: Rendering) -> tuple[Floats, Floats]:
    frame = Frame.of(rendering.view)
    x = frame.x[:, ::-1] if rendering.eye.side == "right" else frame.x
    return x.astype(float), frame.y.astype(float)


def _vessel_contrast(rendering: Rendering) -> Floats | None:
    """Cores at least 4 px wide over the retina 3 to 9 px from any vessel."""
    arteries, veins = rendering.masks["arterioles"], rendering.masks["venules"]
    x, y = _canonical(rendering)
    off_disc = DiscLook.of(rendering.eye, draw_anatomy(rendering.eye)).level(x, y) > 1.3
    inside = ndimage.binary_erosion(rendering.masks["field"], iterations=12) & off_disc
    away = ndimage.distance_transform_edt(~(arteries | veins))
    beside = (away > 3) & (away < 9) & inside
    picture = rendering.picture.astype(float)
    weight = np.maximum(ndimage.gaussian_filter(beside.astype(float), 12), 1e-6)
    rows = []
    for mask, other in ((arteries, veins), (veins, arteries)):
        core = (ndimage.distance_transform_edt(mask) >= 2) & ~other & inside
        if core.sum() < 50:
            return None
        row = []
        for c in range(3):
            back = ndimage.gaussian_filter(picture[..., c] * beside, 12) / weight
            row.append(float(np.mean(picture[..., c][core] / np.maximum(back[core], 1))))
        rows.append(row)
    return np.array(rows)


def _fovea(rendering: Rendering) -> Floats:
    x, y = _canonical(rendering)
    mm = np.hypot(x, y) * MM_PER_DEGREE
    vessels = rendering.masks["arterioles"] | rendering.masks["venules"]
    off_disc = draw_anatomy(rendering.eye).disc_level(x, y) > 1.8
    around = (mm > 4) & (mm < 6) & rendering.masks["field"] & ~vessels & off_disc
    encoded = rendering.picture / 255.0
    # IEC 61966-2-1.
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return np.asarray(np.median(light[mm < 0.25], axis=0) / np.median(light[around], axis=0))


def _rim_and_ring(rendering: Rendering) -> tuple[Floats, Floats]:
    x, y = _canonical(rendering)
    level = DiscLook.of(rendering.eye, draw_anatomy(rendering.eye)).level(x, y)
    vessels = rendering.masks["arterioles"] | rendering.masks["venules"]
    ok = rendering.masks["field"] & ~ndimage.binary_dilation(vessels)
    # The rim only: in a large cup most of what lies between 0.6 and 0.9 is bare lamina.
    rim = rendering.picture[rendering.masks["rim"] & (level < 0.92) & ok].mean(axis=0)
    ring = rendering.picture[(level > 1.6) & (level < 2.2) & ok].mean(axis=0)
    return rim, ring
