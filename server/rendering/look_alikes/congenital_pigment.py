"""Congenital pigment: flat dark patches of tall pigment cells, taken for bone spicules.

A solitary patch is flat and dark with an edge as if cut out, often with a paler
line round it and with lacunae in 43%; half lie at the equator, a third below
and temporal (Shields 2003). Grouped spots lie in one sector like footprints,
small ones nearer the disc, larger ones outwards. Disc and vessels are normal.
"""

from __future__ import annotations

import numpy as np

from server.rendering.features import Painter, register
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import (
    absorb,
    area_mm2,
    blur,
    draw_ripples,
    grown,
    patch,
    smoothstep,
    spots,
)
from server.rendering.scene import Scene

# Dense melanin close behind the retina: nearly black, so red falls with the rest.
_DENSE = (0.80, 1.00, 1.12)
_LACUNAE_SHARE = 0.43


@register
class CongenitalPigment(Painter):
    """One sharply edged patch temporally or nasally, or a group of spots."""

    kind = "congenital-pigment"
    variants = ("solitary", "solitary-nasal", "grouped")
    floor = 0.25
    mimics = "peripheral-pigment"

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        if variant == "grouped":
            _group(scene, severity)
        else:
            _patch(scene, variant == "solitary-nasal", severity)


def _patch(scene: Scene, nasal: bool, severity: float) -> None:
    rng = scene.rng("congenital-pigment patch")
    down = 1.0 if rng.random() < 0.62 else -1.0
    turn, share = rng.uniform(0.22, 0.72), rng.uniform(0.85, 1.15)
    size = share * (1.1 + 3.6 * severity) * float(smoothstep(0.0, 0.10, severity))
    # Far enough out that the largest still clears the macula, near enough to be in the field.
    if nasal:
        far = 10.5 + 1.15 * size
        x, y = scene.disc.x - far * np.cos(turn), down * far * np.sin(turn) * 1.2
    else:
        far = 13.0 + 1.25 * size
        x, y = far * np.cos(turn), down * far * np.sin(turn)
    crop = scene.frame.crop(x, y, 2.2 * size + 1.5)
    lobes = rng.uniform(0, 2 * np.pi, 5), rng.uniform(0.30, 0.62, 5), rng.uniform(0.45, 0.72, 5)
    lacunar = rng.random() < _LACUNAE_SHARE + 0.15
    holes = 9
    hole_way, hole_far = rng.uniform(0, 2 * np.pi, holes), np.sqrt(rng.random(holes)) * 0.62
    hole_size = rng.lognormal(np.log(0.10), 0.55, holes)
    ripples = draw_ripples(rng, holes, 0.16, 4)
    hole_onset = rng.uniform(0.15, 0.7, holes)
    if crop.empty:
        return
    outline = [(x, y, 0.78 * size)] + [
        (x + size * f * np.cos(a), y + size * f * np.sin(a), size * q)
        for a, f, q in zip(*lobes, strict=True)
    ]
    cover = patch(
        scene.frame, scene.eye.seed, "congenital-pigment", outline, edge=0.09,
        raggedness=0.10 + 0.03 * size, cell=1.5, join=0.35 * size + 0.1, crop=crop,
    )  # fmt: skip
    clear = spots(
        scene.frame, x + size * hole_far * np.cos(hole_way), y + size * hole_far * np.sin(hole_way),
        size * np.clip(hole_size, 0.04, 0.24) * np.sqrt(grown(severity, hole_onset)) * lacunar,
        edge=0.06, ripples=ripples, crop=crop,
    )  # fmt: skip
    depth = float(smoothstep(0.0, 0.2, severity)) * (0.75 + 0.25 * severity)
    _darken(scene, cover, clear, depth * float(rng.uniform(0.9, 1.25)), crop)
    # Some are framed by a thin pale line where the epithelium is thin.
    frame_line = np.clip(blur(cover, 0.30 * scene.frame.px_per_degree) - cover, 0, 0.5)
    scene.show_bare(np.asarray(0.9 * frame_line * rng.uniform(0.15, 1) * depth, np.float32), crop)
    scene.add_mask("congenital-pigment", cover, crop)
    scene.facts["congenital_pigment_mm2"] = round(area_mm2(cover, scene.frame), 4)


def _darken(scene: Scene, cover: Floats, clear: Floats, depth: float, crop: Crop) -> None:
    """Lay the pigment down, even but for a fine grain, with windows in it."""
    slow = scene.noise("congenital-pigment density", 1.9).over(scene.frame, crop)
    mid = scene.noise("congenital-pigment mottle", 0.75).over(scene.frame, crop)
    fine = scene.noise("congenital-pigment grain", 0.30).over(scene.frame, crop)
    rim = np.clip(cover - blur(cover, 0.45 * scene.frame.px_per_degree), 0, 0.5)
    thick = cover * (1.0 + 0.16 * slow + 0.10 * mid + 0.09 * fine) + 0.5 * rim
    thick *= 1.0 - 0.97 * clear
    light = scene.linear[crop.slices]
    absorb(light, np.asarray(depth * thick, np.float32), _DENSE)
    scene.show_bare(np.asarray(0.75 * clear * cover * min(1.0, depth), np.float32), crop)


def _group(scene: Scene, severity: float) -> None:
    rng = scene.rng("congenital-pigment group")
    prints, toes = 9, 6
    count = prints * toes
    middle = rng.choice((-1.0, 1.0)) * rng.uniform(0.1, 0.55)
    # Footprints: clusters of a few spots, the farther out the larger.
    far = np.sort(rng.uniform(14.0, 35.0, prints))
    way = middle + rng.uniform(-0.42, 0.42, prints)
    order = rng.permutation(prints)
    onset = np.repeat(np.linspace(0.0, 0.62, prints)[order], toes) + rng.uniform(0, 0.1, count)
    grow_out = (far - 14.0) / 21.0
    size = np.repeat(0.32 + 0.75 * grow_out, toes) * np.clip(
        rng.lognormal(0, 0.35, count), 0.4, 1.9
    )
    loose = np.repeat(1.3 + 2.5 * grow_out, toes)
    # The toes of one print are spread round it, so few of them touch.
    turn = np.tile(np.arange(toes) * 2 * np.pi / toes, prints) + rng.normal(0, 0.35, count)
    apart = np.sqrt(rng.uniform(0.30, 1.3, count))
    x = np.repeat(far * np.cos(way), toes) + loose * apart * np.cos(turn)
    y = np.repeat(far * np.sin(way), toes) + loose * apart * np.sin(turn)
    used = np.tile(np.arange(toes), prints) < np.repeat(rng.integers(2, toes + 1, prints), toes)
    began = grown(severity, onset, 0.22)
    radius = np.where(used & (np.hypot(x, y) > 12.0), size, 0.0) * np.sqrt(began)
    radius *= 0.75 + 0.35 * severity
    cover = spots(
        scene.frame, x, y, radius, edge=0.06, strength=rng.uniform(0.7, 1.0, count),
        aspect=rng.uniform(1.0, 1.9, count), turn=rng.uniform(0, np.pi, count),
        ripples=draw_ripples(rng, count, 0.07, 3),
    )  # fmt: skip
    whole = scene.frame.crop(*scene.frame.centre_deg, scene.frame.field_deg)
    _darken(scene, cover, np.zeros_like(cover), 0.80 + 0.2 * severity, whole)
    scene.add_mask("congenital-pigment", cover, threshold=0.4)
    scene.facts["congenital_pigment_mm2"] = round(area_mm2(cover, scene.frame, 0.4), 4)
