"""Drusen: deposits under the pigment epithelium, from hard specks to soft confluent mounds.

Sizes follow the classes of AREDS report 18 and NICE NG82: small under 63,
medium 63 to 124, large 125 micrometres and more across (as wide as a vein at
the disc margin). A druse is the local background lifted, never a colour of
its own: it thins the epithelium above it and scatters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.findings.macular_change.surround import lift_towards, surrounding_light
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import area_mm2, blur, draw_ripples, spots
from server.rendering.scene import Scene

MEDIUM_UM, LARGE_UM = 63.0, 125.0

_REACH = 13.0
"""Degrees about the fovea within which drusen are drawn: two disc diameters (Beckman)."""

Column = NDArray[np.float64]


@dataclass(frozen=True)
class Deposits:
    """A population of drusen, in the order in which they appear."""

    x: Column
    y: Column
    radius: Column
    """Full-grown radius, degrees."""
    onset: Column
    strength: Column
    edge: Column
    """Half-width of the edge as a share of the radius."""
    ripples: Column


def paint_hard(scene: Scene, severity: float) -> None:
    """Paint small, sharply edged drusen: from half a dozen specks to a field of them."""
    rng = scene.rng("macular-change hard drusen")
    count = 170
    x, y = _places(rng, count, spread=3.6, centres=7)
    size = np.clip(rng.lognormal(np.log(52.0), 0.26, count), 30.0, 82.0)
    # The last to come are the few of medium size.
    late = np.linspace(0.0, 1.0, count)
    size *= 1 + 0.55 * late * (rng.random(count) < 0.30)
    deposits = Deposits(
        x,
        y,
        radius=_degrees(size) / 2,
        onset=0.02 + 0.88 * late**0.68 + rng.uniform(-0.02, 0.02, count),
        strength=rng.uniform(0.55, 1.0, count),
        edge=rng.uniform(0.30, 0.55, count),
        ripples=draw_ripples(rng, count, 0.09, 4),
    )
    _paint(scene, deposits, severity, growth=0.12, size=0.88 + 0.30 * severity, soft=False)


def paint_soft(scene: Scene, severity: float, layer: str = "macular-change soft drusen") -> None:
    """Paint large drusen with vague edges that run together in the centre."""
    rng = scene.rng(layer)
    count = 78
    x, y = _places(rng, count, spread=2.5, centres=4)
    size = np.clip(rng.lognormal(np.log(150.0), 0.34, count), 80.0, 330.0)
    late = np.linspace(0.0, 1.0, count)
    deposits = Deposits(
        x,
        y,
        radius=_degrees(size) / 2,
        onset=0.02 + 0.86 * late**0.70 + rng.uniform(-0.015, 0.015, count),
        strength=rng.uniform(0.50, 0.95, count),
        edge=rng.uniform(0.55, 0.85, count),
        ripples=draw_ripples(rng, count, 0.13, 5),
    )
    _paint(scene, deposits, severity, growth=0.22, size=0.88 + 0.40 * severity, soft=True)


def _places(
    rng: np.random.Generator, count: int, spread: float, centres: int
) -> tuple[Column, Column]:
    """Draw where they lie: loosely in groups, thinning out from the fovea."""
    middle_x = rng.normal(0.5, spread * 0.75, centres)
    middle_y = rng.normal(0.0, spread * 0.65, centres)
    group = rng.integers(0, centres, count)
    alone = rng.random(count) < 0.45
    own_x, own_y = rng.normal(0.4, spread, count), rng.normal(0.0, spread * 0.9, count)
    near_x, near_y = rng.normal(0.0, spread * 0.38, (2, count))
    x = np.where(alone, own_x, middle_x[group] + near_x)
    y = np.where(alone, own_y, middle_y[group] + near_y)
    # The umbo itself is mostly free: push outwards what fell on it.
    away = np.hypot(x, y) + 1e-6
    pushed = np.maximum(away, 0.25 + 0.5 * away)
    return x * pushed / away, y * pushed / away


def _paint(
    scene: Scene, deposits: Deposits, severity: float, *, growth: float, size: float, soft: bool
) -> None:
    frame = scene.frame
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    grown = np.clip((severity - deposits.onset) / growth, 0.0, 1.0)
    radius = deposits.radius * size * grown**0.6
    off_disc = np.hypot(deposits.x - scene.disc.x, deposits.y - scene.disc.y)
    radius = np.where(off_disc < 1.25 * scene.disc.mean_radius, 0.0, radius)
    # Beyond the drawn reach nothing is shown, so that every field shows the same.
    radius = np.where(np.hypot(deposits.x, deposits.y) > _REACH - 1.0, 0.0, radius)
    drawn = {"ripples": deposits.ripples, "crop": crop}
    cover = spots(
        frame,
        deposits.x,
        deposits.y,
        radius,
        edge=deposits.edge * radius,
        strength=deposits.strength * (1.15 if soft else 1.0),
        add=soft,
        **drawn,  # type: ignore[arg-type]
    )
    if soft:
        cover = _run_together(scene, cover, crop)
    texture = scene.noise("macular-change drusen texture", 0.16).over(frame, crop)
    cover *= np.clip(1 + 0.14 * texture, 0.4, 1.6)
    light = scene.linear[crop.slices]
    around = surrounding_light(scene, crop)
    if soft:
        lift_towards(light, cover, (1.38, 2.05, 1.72), around, 0.85)
    else:
        lift_towards(light, cover, (1.45, 2.75, 2.20), around, 0.35)
    exact = spots(frame, deposits.x, deposits.y, radius, edge=0.01, **drawn)  # type: ignore[arg-type]
    mask = exact if not soft else np.maximum(exact, cover * 1.6)
    scene.add_mask("drusen", mask, crop)
    _measure(scene, mask, radius)


def _run_together(scene: Scene, thickness: Floats, crop: Crop) -> Floats:
    """Turn summed mounds into one smooth, uneven sheet where they crowd."""
    smooth = blur(thickness, 0.10 * scene.frame.px_per_degree)
    uneven = scene.noise("macular-change soft sheet", 0.45).over(scene.frame, crop)
    return np.asarray(1 - np.exp(-smooth * np.clip(1 + 0.16 * uneven, 0.4, 1.6)), np.float32)


def _measure(scene: Scene, mask: Floats, radius: Column) -> None:
    largest = float(radius.max()) * 2000.0 * MM_PER_DEGREE
    largest = max(largest, float(scene.facts.get("largest_druse_um", 0.0)))
    facts = scene.facts
    facts["largest_druse_um"] = round(largest, 1)
    facts["drusen_size_class"] = size_class(largest)
    facts["drusen_count"] = int(facts.get("drusen_count", 0)) + int((radius > 0).sum())
    total = float(facts.get("drusen_area_mm2", 0.0)) + area_mm2(mask, scene.frame)
    facts["drusen_area_mm2"] = round(total, 4)


def size_class(diameter_um: float) -> str:
    """Return 'none', 'small', 'medium' or 'large' (AREDS report 18; NICE NG82)."""
    if diameter_um <= 0:
        return "none"
    if diameter_um < MEDIUM_UM:
        return "small"
    return "medium" if diameter_um < LARGE_UM else "large"


def _degrees(micrometres: Column) -> Column:
    return micrometres / (1000.0 * MM_PER_DEGREE)
