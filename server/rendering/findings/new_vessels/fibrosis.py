"""Fibrous tissue: a grey-white, translucent sheet that ageing new vessels leave behind.

It clings to the disc and to the arcades, is torn into strands and holes, thins out towards
an uneven border and is stretched into concave edges between the places where it holds on.
"""

from __future__ import annotations

import math

import numpy as np

from server.rendering.findings.new_vessels.placing import SPARED_DEG, Places
from server.rendering.lesions import blur, grown, smoothstep
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw

_WHITE = (1.22, 0.42, 0.31)
_BANDS = 4


def paint_fibrosis(scene: Scene, places: Places, severity: float) -> None:
    """Paint the sheet over the disc and along the arcades, in front of their vessels."""
    body, strands_in = _sheet(scene, places, severity)
    if not body:
        return
    frame = scene.frame
    points = np.concatenate([stroke.points for stroke in body])
    low, high = points.min(axis=0) - 2.2, points.max(axis=0) + 2.2
    crop = frame.crop_box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    if crop.empty:
        return
    level = blur(draw(frame, body, soft=0.22, crop=crop), 0.42 * frame.px_per_degree)
    strands = draw(frame, strands_in, soft=0.03, crop=crop)
    broad = scene.noise("new-vessels fibrosis", 1.7).over(frame, crop)
    cloud = scene.noise("new-vessels fibrosis", 0.75).over(frame, crop)
    fine = scene.noise("new-vessels fibrosis", 0.26).over(frame, crop)
    ragged = level + (0.20 * broad + 0.13 * cloud + 0.06 * fine) * np.minimum(1, 5 * level)
    sheet = smoothstep(0.16, 0.80, ragged)
    # Holes where it has torn; strands that stay.
    torn = smoothstep(0.1, 1.5, cloud + 0.7 * broad) * 0.50 * (1 - 0.5 * sheet)
    thick = sheet * (0.62 - torn + 0.10 * cloud + 0.05 * fine)
    thick = thick + strands * smoothstep(0.05, 0.35, ragged) * (0.30 + 0.10 * broad)
    thick = np.clip(thick, 0, 0.86).astype(np.float32)
    if places.spares:
        xs, ys = frame.degrees(crop)
        thick *= smoothstep(SPARED_DEG, SPARED_DEG + 0.5, np.hypot(xs, ys)).astype(np.float32)
    light = scene.linear[crop.slices]
    tint = 1.15 - 0.42 * scene.eye.pigmentation
    for channel in range(3):
        white = np.float32(_WHITE[channel] * tint)
        light[..., channel] += thick * (white - light[..., channel])
    scene.add_mask("fibrosis", thick, crop, threshold=0.30)
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= thick < 0.7


def _sheet(scene: Scene, places: Places, severity: float) -> tuple[list[Stroke], list[Stroke]]:
    """Return the broad strokes of the sheet, and the strands in it."""
    rng = scene.rng("new-vessels fibrosis bands")
    courses = _arcades(places, rng)
    onsets = (0.05, 0.14, 0.28, 0.40)
    body, strands = [], []
    held: list[tuple[np.ndarray, np.ndarray]] = []
    for n in range(_BANDS):
        length, width = rng.uniform(6.0, 13.0), rng.uniform(0.65, 1.45)
        holds, offsets = rng.uniform(0, 2 * math.pi, 3), rng.uniform(-1.0, 1.0, (22, 2))
        shares, wide = rng.uniform(0, 1, (22, 2)), rng.uniform(0.35, 1.0, 22)
        there = n < 2 or rng.random() < 0.65
        if n >= len(courses):
            continue
        course = courses[n]
        size = float(grown(severity, onsets[n], 0.60))
        if size <= 0 or not there or len(course) < 6:
            continue
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(course, axis=0).T))])
        spots_at = np.arange(0, min(length, along[-1]), 0.25)
        path = np.column_stack([np.interp(spots_at, along, course[:, k]) for k in range(2)])
        if len(path) < 6:
            continue
        t = np.linspace(0, 1, len(path))
        born = np.asarray(smoothstep(0.0, 0.6, size * 1.6 - t), float)
        uneven = 1 + 0.30 * np.sin(4.3 * t + holds[0]) + 0.24 * np.sin(9.1 * t + holds[1])
        # Broad at the disc, drawn out into a thread at the far end.
        spread = (0.40 + 0.80 * np.exp(-3.5 * t)) * np.sqrt(1 - 0.97 * t)
        half = width * uneven * born * spread * (0.45 + 0.55 * size)
        held.append((path, born))
        body.append(Stroke(path, np.maximum(half, 0.0), 1.0))
        step = np.gradient(path, axis=0)
        normal = np.column_stack([-step[:, 1], step[:, 0]])
        normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
        for (a, b), (start, stop), thick in zip(offsets, shares, wide, strict=True):
            low, high = min(start, stop), max(start, stop)
            inside = (t >= low) & (t <= high)
            if inside.sum() < 4:
                continue
            part = (t[inside] - low) / max(high - low, 1e-6)
            off = (a + (b - a) * part) * 1.2 * half[inside]
            line = path[inside] + off[:, None] * normal[inside]
            taper = np.sin(math.pi * np.clip(part, 0, 1)) ** 0.5
            strands.append(Stroke(line, 0.060 * thick * taper * born[inside], 1.0))
    body += _webs(scene, held)
    # The sheet on the disc itself, off its middle, joins the bands into one.
    draws, normal3 = rng.uniform(0, 1, 6), rng.normal(0, 0.45, 3)
    size = float(grown(severity, 0.05, 0.6))
    for k in range(3):
        angle = math.pi + 1.2 * (k - 1) + float(normal3[k])
        spot = scene.from_disc(float(0.25 + 0.35 * draws[k]) * scene.dd / 2, angle)
        radius = float(0.5 + 0.7 * draws[3 + k]) * size
        blob = np.array([spot, (spot[0] + 0.3, spot[1] + 0.2)])
        body.append(Stroke(blob, np.full(2, radius), min(1.0, 3 * size)))
    return body, strands


def _webs(scene: Scene, held: list[tuple[np.ndarray, np.ndarray]]) -> list[Stroke]:
    """Return thin cross strokes that span the corner between two neighbouring bands.

    Each sags towards the disc: a stretched sheet has a concave free edge.
    """
    centre = np.array([scene.disc.x, scene.disc.y])
    out = []
    for a in range(len(held)):
        for b in range(a + 1, len(held)):
            (first, born_a), (second, born_b) = held[a], held[b]
            one, two = first[len(first) // 3] - centre, second[len(second) // 3] - centre
            between = float(np.dot(one, two) / (np.hypot(*one) * np.hypot(*two) + 1e-9))
            if between < -0.25:
                continue
            for share in (0.14, 0.22, 0.30, 0.38, 0.46):
                i, j = int(share * (len(first) - 1)), int(share * (len(second) - 1))
                strength = float(min(born_a[i], born_b[j]))
                if strength <= 0:
                    continue
                t = np.linspace(0, 1, 9)[:, None]
                line = first[i] + (second[j] - first[i]) * t
                line = line + (centre - line) * (0.38 * 4 * t * (1 - t))
                out.append(Stroke(line, np.full(9, 0.24 * strength), 0.62 * strength))
    return out


def _arcades(places: Places, rng: np.random.Generator) -> list[np.ndarray]:
    """Return courses of main veins from the disc outwards, in an order of this eye's own."""
    veins = places.veins
    level = places.scene.anatomy.disc_level(veins.x, veins.y)
    above = np.maximum(veins.parent, 0)
    leaves = (veins.parent >= 0) & (level >= 1.0) & (level[above] < 1.0) & (veins.radius > 0.09)
    nodes = np.flatnonzero(leaves)
    nodes = nodes[np.argsort(-veins.radius[nodes])][:5]
    heirs = np.full(len(veins), -1)
    order = np.argsort(veins.radius, kind="stable")
    order = order[veins.parent[order] >= 0]
    heirs[veins.parent[order]] = order
    courses = []
    for node in rng.permutation(nodes):
        chain = [int(node)]
        for _ in range(4):
            if veins.parent[chain[0]] >= 0:
                chain.insert(0, int(veins.parent[chain[0]]))
        while heirs[chain[-1]] >= 0 and len(chain) < 90:
            chain.append(int(heirs[chain[-1]]))
        courses.append(np.column_stack([veins.x[chain], veins.y[chain]]))
    return courses
