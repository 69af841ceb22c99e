"""Swollen margin: the nerve fibres at the disc's edge are thickened, opaque and raised.

Stages follow the modified Frisén scale (see ``stages``); the halo and the raised head are in
``halo``, the vessels that sink into it in ``hiding``, blood, white spots and folds in
``marks``. Severity runs continuously along the scale: a stage for each fifth.
"""

from __future__ import annotations

from server.rendering.features import Painter, register
from server.rendering.findings.swollen_margin.courses import major_courses
from server.rendering.findings.swollen_margin.halo import Halo, swell
from server.rendering.findings.swollen_margin.hiding import paint_over_vessels, signs
from server.rendering.findings.swollen_margin.marks import (
    paint_capillaries,
    paint_cotton_wool_about,
    paint_exudates,
    paint_folds,
    paint_haemorrhages,
)
from server.rendering.findings.swollen_margin.stages import graded, progress
from server.rendering.findings.swollen_margin.veils import Veils
from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene

_KIND = "swollen-margin"


@register
class SwollenMargin(Painter):
    """Swelling of the disc, plain or with haemorrhages."""

    kind = _KIND
    variants = ("plain", "haemorrhagic")
    floor = 0.20

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        along = progress(severity)
        halo = Halo.of(scene, along)
        swell(scene.disc, halo, along)
        scene.change_vessels(
            vein_calibre=float(1 + 0.24 * smoothstep(0.6, 4.5, along)),
            vein_tortuosity=float(1 + 0.45 * smoothstep(1.0, 5.0, along)),
            artery_tortuosity=float(1 + 0.12 * smoothstep(1.5, 5.0, along)),
            fine_disc_loss=float(0.7 * smoothstep(2.0, 4.5, along)),
        )
        scene.kept[_KIND] = halo

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        halo: Halo = scene.kept[_KIND]
        along = progress(severity)
        paint_folds(scene, halo, along)
        if variant == "haemorrhagic":
            paint_exudates(scene, halo, along)
        crop = halo.crop(scene)
        if crop.empty:
            return
        opacity = halo.paint(scene)
        paint_capillaries(scene, halo, along)
        scene.kept[_KIND, "veil"] = opacity, scene.linear[crop.slices].copy()

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        along = progress(severity)
        halo: Halo = scene.kept[_KIND]
        courses = major_courses(scene)
        veils = Veils.of(scene, halo, courses, along)
        shown = signs(scene, halo, veils, courses)
        if (_KIND, "veil") in scene.kept:
            opacity, without = scene.kept[_KIND, "veil"]
            paint_over_vessels(scene, veils, opacity, without)
        if variant == "haemorrhagic":
            paint_cotton_wool_about(scene, halo, along)
            paint_haemorrhages(scene, halo, along)
        scene.facts.update(
            frisen_stage=graded(shown, along),
            frisen_stage_whole=shown.stage,
            halo_arc_deg=shown.arc_deg,
            major_vessels=shown.vessels,
            hidden_vessels_leaving=shown.leaving,
            hidden_vessels_on_disc=shown.on_disc,
            hidden_vessels=shown.either,
        )
