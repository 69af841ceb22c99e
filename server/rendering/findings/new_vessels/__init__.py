"""New vessels: fine, looping, in front of the retina, on the background they come with.

At the disc (on it or within one disc diameter) or elsewhere; with blood in front
of the retina; with fibrous tissue late (Diabetic Retinopathy Study and ETDRS terms).
``fronds`` lays them out, ``placing`` says where, ``areas`` measures them as graders do;
``background`` paints the diabetic retina behind, ``preretinal`` and ``fibrosis`` what comes of
them.
"""

from __future__ import annotations

import numpy as np

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import Painter, register
from server.rendering.findings.new_vessels.areas import CELL_MM2, Extent
from server.rendering.findings.new_vessels.background import (
    beading,
    paint_background,
    paint_on_vessels,
)
from server.rendering.findings.new_vessels.fibrosis import paint_fibrosis
from server.rendering.findings.new_vessels.fronds import frond, strokes_of
from server.rendering.findings.new_vessels.placing import Places
from server.rendering.findings.new_vessels.preretinal import paint_blood
from server.rendering.fine_vessels import ARTERIAL, blood_columns, paint_columns
from server.rendering.lesions import absorb
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke

_KIND = "new-vessels"
# The background is a good deal older than the first new vessel.
_BACKGROUND_AHEAD = 1.15


@register
class NewVessels(Painter):
    """New vessels at the disc or elsewhere."""

    kind = _KIND
    variants = ("disc", "elsewhere", "disc-with-preretinal-blood", "fibrous")
    floor = 0.22

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        scene.kept[_KIND] = Places(scene)
        beading(scene, severity)

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        paint_background(scene, scene.kept[_KIND], min(_BACKGROUND_AHEAD * severity, 1.0))

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        places: Places = scene.kept[_KIND]
        paint_on_vessels(scene, places, min(_BACKGROUND_AHEAD * severity, 1.0))
        if variant == "fibrous":
            paint_fibrosis(scene, places, severity)
        fronds = _fronds(scene, places, variant, severity)
        for strokes, extent in fronds:
            _paint(scene, strokes, extent)
        if variant == "disc-with-preretinal-blood":
            paint_blood(scene, places, severity)
        _measure(scene, places, fronds)


Frond = tuple[list[Stroke], Extent]


def _fronds(scene: Scene, places: Places, variant: str, severity: float) -> list[Frond]:
    """Return what has grown: the fans of the disc together, each frond elsewhere by itself."""
    groups = []
    if variant != "elsewhere":
        groups.append((places.at_disc(), places.allowed_at_disc()))
    if variant in ("elsewhere", "fibrous"):
        some = places.elsewhere() if variant == "elsewhere" else places.elsewhere()[1:3]
        groups += [([plan], places.allowed_elsewhere()) for plan in some]
    # Under old fibrous tissue many of the vessels have closed again.
    vigour = 0.85 if variant == "fibrous" else 1.0
    out = []
    for plans, allowed in groups:
        strokes: list[Stroke] = []
        for plan in plans:
            if severity > plan.onset:
                age = (severity - plan.onset) / (1 - plan.onset)
                strokes += strokes_of(frond(scene, plan, allowed), vigour * age)
        extent = Extent.of(strokes)
        if extent is not None:
            out.append((strokes, extent))
    return out


def _paint(scene: Scene, strokes: list[Stroke], extent: Extent) -> None:
    frame = scene.frame
    points = np.concatenate([stroke.points for stroke in strokes])
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    crop = frame.crop_box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    if crop.empty:
        return
    # Meshes too fine to be drawn redden the space between.
    haze = extent.cover(frame, crop, 0.30)
    cloud = scene.noise("new-vessels haze", 0.6).over(frame, crop)
    absorb(
        scene.linear[crop.slices],
        (0.055 * haze * np.clip(1 + 0.45 * cloud, 0, 2)).astype(np.float32),
        (0.25, 1.0, 0.85),
    )
    cover = blood_columns(scene, strokes, crop)
    paint_columns(scene, cover, 1.0, ARTERIAL, crop)
    scene.add_mask("new-vessels", extent.over(frame, crop) > 0, crop)


def _measure(scene: Scene, places: Places, fronds: list[Frond]) -> None:
    """Area in disc areas, at the disc and elsewhere, independent of the view."""
    at_disc = elsewhere = 0
    widest = 0.0
    for strokes, extent in fronds:
        x, y = extent.cells()
        near = places.near_disc(x.astype(float), y.astype(float)) <= scene.dd
        at_disc += int(near.sum())
        elsewhere += int((~near).sum())
        widest = max(widest, *(float(stroke.radii.max()) for stroke in strokes))
    cell = CELL_MM2 / scene.anatomy.disc_area_mm2
    scene.facts["new_vessels_disc_disc_areas"] = round(at_disc * cell, 4)
    scene.facts["new_vessels_elsewhere_disc_areas"] = round(elsewhere * cell, 4)
    scene.facts["new_vessels_widest_um"] = round(2000 * MM_PER_DEGREE * widest, 1)
