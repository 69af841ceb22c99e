"""From an eye, its features and a view to a finished picture with its truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, replace

import numpy as np

from server.rendering.anatomy import Anatomy
from server.rendering.blurring import enlarge
from server.rendering.camera import aperture, photograph
from server.rendering.disc_surface import paint_disc
from server.rendering.eye import MM_PER_DEGREE, Eye, Feature, Mask, Rendering, View
from server.rendering.features import resolve
from server.rendering.fibres import FibreLook, add_striae, defect_cover, veil_thickness
from server.rendering.frame import Floats, Frame
from server.rendering.lesions import lift
from server.rendering.macula import add_foveal_reflex, add_sheen, surface_reflexes
from server.rendering.retina import RetinaLook, add_grain, background, smooth_layers
from server.rendering.scene import Scene
from server.rendering.vessels import grow, lay_out, shade_vessels

_FOVEA_MM = 1.5
_MACULA_MM = 5.5
_VEIL = (1.05, 1.0, 0.86)


def render(eye: Eye, features: Sequence[Feature], view: View) -> Rendering:
    """Render an eye with its features as a photograph, with masks and facts.

    Parameters
    ----------
    eye : the eye; its seed decides everything not said otherwise.
    features : findings and look-alikes, each kind at most once, in any order.
        A feature of severity 0 changes nothing at all.
    view : field, centre and size.

    Raises
    ------
    BadInput
        If a kind or variant is unknown or given twice, with the allowed names.
    """
    chosen = resolve(features)
    scene = Scene.of(eye, view)
    for painter, variant, severity in chosen:
        painter.prepare(scene, variant, severity)

    frame = scene.frame
    # Disc and cup first, so that painters may read them; they may still add to them.
    scene.masks.update(scene.disc.masks(frame))
    scene.facts.update(scene.disc.facts())
    scene.vessels = lay_out(grow(eye, scene.anatomy), scene.changes, frame)
    scene.facts.update(scene.vessels.facts)
    scene.linear = retina(scene)
    for painter, variant, severity in chosen:
        painter.paint_retina(scene, variant, severity)
    paint_disc(scene.linear, scene.disc, eye, frame, scene.bare_over)
    for painter, variant, severity in chosen:
        painter.paint_disc(scene, variant, severity)
    traced = shade_vessels(scene.linear, scene.vessels, eye, scene.anatomy, frame)
    scene.masks.update(traced)
    for painter, variant, severity in chosen:
        painter.paint_front(scene, variant, severity)

    _add_places(scene)
    # Nobody reads them any more; what painters kept may hold the scene itself, which
    # would then stay in memory until the garbage is collected.
    scene.vessels = None
    scene.kept.clear()
    frame.forget_grids()
    picture = photograph(scene.linear, eye, frame)
    scene.linear = np.zeros((0, 0, 3), np.float32)
    return _displayed(scene, picture, tuple(features), view)


def retina(scene: Scene) -> Floats:
    """Return the linear light of the retina with its nerve fibres, without vessels, full size."""
    fibres = scene.fibres
    if fibres.defects:
        coarse = scene.layers.frame
        lost = defect_cover(fibres, scene.anatomy, coarse)
        scene.add_mask("nerve-fibre-defect", scene.to_full_size(lost), threshold=0.3)
    look = replace(scene.retina)
    key = (
        scene.eye, scene.anatomy, scene.frame, astuple(look),
        fibres.strength, tuple(fibres.defects), fibres.striae,
    )  # fmt: skip
    last = _LAST.get("retina")
    if last is not None and last[0] == key:
        return last[1].copy()
    # The one before goes first: two of them and the copy would be the most memory ever used.
    del last
    _LAST.clear()
    light = _retina(scene.eye, scene.anatomy, scene.frame, look, fibres)
    _LAST["retina"] = (key, light)
    return light.copy()


_LAST: dict[str, tuple[object, Floats]] = {}
"""The last retina drawn and what it was drawn from: a twin and most findings share it."""


def _retina(
    eye: Eye, anatomy: Anatomy, frame: Frame, look: RetinaLook, fibres: FibreLook
) -> Floats:
    """Return the light of a retina, full size."""
    layers = smooth_layers(eye, anatomy, frame)
    light = background(eye, look, layers)
    veil = veil_thickness(fibres, eye, anatomy, layers.frame)
    amount = (0.060 - 0.034 * eye.pigmentation) * (0.55 + 0.75 * min(look.lustre, 1.0))
    for c in range(3):
        light[..., c] += np.float32(_VEIL[c] * amount) * veil
    if fibres.defects:
        # Bare of fibres the retina also looks darker and redder than beside it
        # (Jonas and Budde), more than the missing veil alone would make it.
        lost = defect_cover(fibres, anatomy, layers.frame)
        lost *= np.minimum(
            veil_thickness(FibreLook(fibres.strength), eye, anatomy, layers.frame), 1
        )
        lift(light, lost, (0.95, 0.86, 0.86))
    add_sheen(light, surface_reflexes(eye, look, veil, layers.frame), eye)
    n = frame.size_px
    full = enlarge(light, (n, n), (float(light.shape[0]), float(light.shape[1])))
    add_striae(full, veil, fibres, eye, anatomy, frame)
    add_grain(full, eye, look, frame)
    add_foveal_reflex(full, eye, anatomy, look, frame)
    full.setflags(write=False)
    return full


def _add_places(scene: Scene) -> None:
    """Add the masks of the field, fovea and macula, and clip all others to the field."""
    frame = scene.frame
    field = aperture(scene.eye, frame)
    away2 = frame.columns[None, :] ** 2 + frame.rows[:, None] ** 2
    scene.add_mask("fovea", away2 < (_FOVEA_MM / 2 / MM_PER_DEGREE) ** 2)
    scene.add_mask("macula", away2 < (_MACULA_MM / 2 / MM_PER_DEGREE) ** 2)
    for mask in scene.masks.values():
        mask &= field
    scene.masks["field"] = field


def _displayed(
    scene: Scene, picture: np.ndarray, features: tuple[Feature, ...], view: View
) -> Rendering:
    """Mirror a right eye, as the very last step."""
    masks: dict[str, Mask] = scene.masks
    if scene.eye.side == "right":
        picture = np.ascontiguousarray(picture[:, ::-1])
        for name in masks:
            masks[name] = np.ascontiguousarray(masks[name][:, ::-1])
    return Rendering(scene.eye, features, view, picture, masks, dict(scene.facts))
