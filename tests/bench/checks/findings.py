"""Rows 11, 12 and 26 to 30: what each finding's label says against what its masks show."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import label, regionprops

from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering.features import painters
from server.rendering.in_view import mm_per_px
from tests.bench.checks.check import Check, between

Floats = NDArray[np.float64]
DISC_VIEW = View(30.0, (-15.5, -1.7), 480)


def finding_checks(count: int) -> list[Check]:
    """Measure about a tenth of ``count`` eyes for each finding."""
    seeds = range(500, 500 + max(count // 10, 4))
    return [
        *_enlarged_cup(seeds),
        *_swollen_margin(seeds),
        *_new_vessels(seeds),
        *_peripheral_pigment(seeds),
        *_macular_change(seeds),
        Check(
            30, "ophthalmoscope's magnification, field, focus", "15x 1/(1+dK); p/d", "reduced eye",
            "belongs to the bedside view, not to the photograph", None,
        ),
    ]  # fmt: skip


def _missing(number: int, kind: str) -> list[Check]:
    return [Check(number, kind, "", "", "this finding is not registered", None)]


def _enlarged_cup(seeds: range) -> list[Check]:
    upright, isnt, agree = [], [], []
    for seed in seeds:
        r = render(draw_eye(seed), (Feature("enlarged-cup", "concentric", 0.7),), DISC_VIEW)
        vertical, horizontal = (
            float(r.facts[f"cup_disc_ratio_{way}"]) for way in ("vertical", "horizontal")
        )
        upright.append(vertical > horizontal)
        rim = [
            float(r.facts[f"rim_width_{s}_mm"])
            for s in ("inferior", "superior", "nasal", "temporal")
        ]
        isnt.append(all(a >= b for a, b in pairwise(rim)))
        agree.append(abs(_thinnest_by_rays(r) - float(r.facts["rim_thinnest_ratio"])))
    return [
        Check(
            10, "enlarged cups taller than wide", "vertical > horizontal", "Jonas 1988",
            f"{np.mean(upright):.0%}", bool(np.mean(upright) >= 0.9),
        ),
        Check(
            11, "thinnest rim/disc, 360 rays on the masks against the fact", "same, +-.04",
            "Henderer 2006 (definition)", f"largest difference {max(agree):.3f}",
            max(agree) <= 0.04,
        ),
        Check(
            12, "rim order holds in enlarged cups", "<=35%", "Moon 2018; Harizman 2006",
            f"{np.mean(isnt):.0%}", bool(np.mean(isnt) <= 0.35),
        ),
    ]  # fmt: skip


def _thinnest_by_rays(rendering: Rendering) -> float:
    disc, cup = rendering.masks["disc"], rendering.masks["cup"]
    cy, cx = ndimage.center_of_mass(disc)
    angle = np.radians(np.arange(360))
    reach = np.arange(0, disc.shape[0] / 2, 0.25)
    rows = np.clip(cy + reach * np.sin(angle)[:, None], 0, disc.shape[0] - 1).round().astype(int)
    columns = np.clip(cx + reach * np.cos(angle)[:, None], 0, disc.shape[1] - 1).round().astype(int)
    edge = (disc[rows, columns] * reach).max(axis=1)
    inner = (cup[rows, columns] * reach).max(axis=1)
    diameter = edge + np.roll(edge, 180)
    return float(((edge - inner) / diameter).min())


def _swollen_margin(seeds: range) -> list[Check]:
    if "swollen-margin" not in painters():
        return _missing(26, "swollen margin")
    steps = np.linspace(0.1, 1.0, 10)
    monotone, arcs, hidden = [], [], []
    for seed in list(seeds)[:12]:
        eye = draw_eye(seed)
        all_of = [render(eye, (Feature("swollen-margin", "", s),), DISC_VIEW) for s in steps]
        stages = [float(r.facts["frisen_stage"]) for r in all_of]
        monotone.append(stages == sorted(stages))
        for r, stage in zip(all_of, stages, strict=True):
            arc = _halo_arc(r)
            whole = int(stage)
            arcs.append(180 <= arc <= 345 if whole == 1 else arc >= 350 if whole >= 2 else True)
            leaving, on_disc = (
                float(r.facts.get(name, np.nan))
                for name in ("hidden_vessels_leaving", "hidden_vessels_on_disc")
            )
            if whole <= 2:
                hidden.append(leaving == 0 and on_disc == 0)
            elif whole == 3:
                hidden.append(leaving >= 1)
            else:
                hidden.append(on_disc >= 1)
    source = "modified Frisén scale"
    return [
        Check(26, "stage rises with severity", "each", source, f"{np.mean(monotone):.0%}",
              bool(all(monotone))),
        Check(26, "halo arc of the mask fits the stage", "1: 180-330; 2+: 360", source,
              f"{np.mean(arcs):.0%}", bool(np.mean(arcs) >= 0.95)),
        Check(26, "hidden vessels fit the stage", "none to 2; leaving at 3; on disc at 4", source,
              f"{np.mean(hidden):.0%}", bool(np.mean(hidden) >= 0.95)),
    ]  # fmt: skip


def _halo_arc(rendering: Rendering) -> float:
    """Degrees of the circle in which the halo's mask shows, in sectors of 5."""
    halo = rendering.masks.get("swelling-halo")
    if halo is None or not halo.any():
        return 0.0
    cy, cx = ndimage.center_of_mass(rendering.masks["disc"])
    rows, columns = np.nonzero(halo)
    sector = ((np.degrees(np.arctan2(rows - cy, columns - cx)) + 360) % 360 // 5).astype(int)
    return 5.0 * float((np.bincount(sector, minlength=72) >= 3).sum())


def _new_vessels(seeds: range) -> list[Check]:
    if "new-vessels" not in painters():
        return _missing(27, "new vessels")
    inside, areas = [], []
    for seed in seeds:
        r = render(
            draw_eye(seed), (Feature("new-vessels", "disc", 0.8),), View(45.0, (-7.0, 0.0), 640)
        )
        fronds = r.masks.get("new-vessels")
        if fronds is None or not fronds.any():
            inside.append(0.0)
            continue
        away = ndimage.distance_transform_edt(~r.masks["disc"]) * mm_per_px(r)
        inside.append(float((away[fronds] <= 1.8).mean()))
        areas.append(float(r.facts.get("new_vessels_disc_disc_areas", np.nan)))
    return [
        Check(27, "vessels of the disc variant within 1 DD of it", ">=90%", "DRS",
              f"{np.mean(inside):.0%}", bool(np.mean(inside) >= 0.90)),
        Check(27, "area at severity .8, disc areas", ">=1/4 (high risk)", "DRS",
              f"mean {np.mean(areas):.2f}" if areas else "none",
              bool(areas) and bool(np.mean(areas) >= 0.25)),
    ]  # fmt: skip


def _peripheral_pigment(seeds: range) -> list[Check]:
    if "peripheral-pigment" not in painters():
        return _missing(28, "peripheral pigment")
    view = View(60.0, (-7.0, 0.0), 640)
    artery: list[float] = []
    vein: list[float] = []
    density = []
    for seed in seeds:
        eye = draw_eye(seed)
        r = render(eye, (Feature("peripheral-pigment", "net", 0.7),), view)
        twin = render(eye, (), view)
        for name, values in (("artery_calibre_um", artery), ("vein_calibre_um", vein)):
            values.append(float(r.facts[name]) / float(twin.facts[name]))
        steps = ((np.arange(640) + 0.5) / 640 - 0.5) * 60
        across = (-steps if eye.side == "right" else steps) - 7.0
        away = np.hypot(*np.meshgrid(across, steps))
        spicules, field = r.masks["spicule"], r.masks["field"]
        outer = spicules[(away > 20) & field].mean()
        density.append((outer, spicules[(away < 10) & field].mean()))
    outer_mean, inner_mean = np.mean(density, axis=0)
    return [
        Check(28, "calibre over twin's: artery, vein", ".69+-.10, .72+-.10", "Nakagawa 2014",
              f"{np.mean(artery):.2f}, {np.mean(vein):.2f}",
              between(float(np.mean(artery)), 0.59, 0.79)
              and between(float(np.mean(vein)), 0.62, 0.82)),
        Check(28, "pigment density beyond 20 deg over inside 10", ">=10", "memory",
              f"{outer_mean:.4f} over {inner_mean:.5f}", bool(outer_mean >= 10 * inner_mean)),
    ]  # fmt: skip


def _macular_change(seeds: range) -> list[Check]:
    near = View(22.0, (0.0, 0.0), 900)
    classes, sizes, atrophies, edges = [], [], [], []
    for seed in seeds:
        eye = draw_eye(seed, age=72.0)
        soft = render(eye, (Feature("macular-change", "soft-drusen", 0.3),), near)
        found = _diameters_um(soft, "drusen")
        stated = float(soft.facts["largest_druse_um"])
        sizes.append(found.max() / stated)
        classes.append(_class(stated) == soft.facts["drusen_size_class"])
        early = render(eye, (Feature("macular-change", "atrophy", 0.22),), near)
        atrophies.append(_diameters_um(early, "atrophy").max())
        edges.append(_edge_um(eye.seed, near))
    return [
        Check(29, "druse class says its diameter", "<63, 63-124, >=125 um", "AREDS 18; NG82",
              f"{np.mean(classes):.0%}", bool(all(classes))),
        Check(29, "largest druse of the mask over the stated", "1 +- .35", "AREDS 18",
              f"{np.median(sizes):.2f} ({min(sizes):.2f}-{max(sizes):.2f})",
              between(float(np.median(sizes)), 0.85, 1.15)),
        Check(29, "least atrophy, um", ">=175", "reading-centre definition; NG82",
              f"{min(atrophies):.0f}", bool(min(atrophies) >= 175)),
        Check(29, "width of the atrophy's edge, 10-90%, um", "<=60", "reading-centre definition",
              f"median {np.median(edges):.0f}", bool(np.median(edges) <= 60)),
    ]  # fmt: skip


def _class(diameter_um: float) -> str:
    return "small" if diameter_um < 63 else "medium" if diameter_um < 125 else "large"


def _diameters_um(rendering: Rendering, kind: str) -> Floats:
    regions = regionprops(label(rendering.masks[kind]))  # type: ignore[no-untyped-call]
    size = np.array([region.equivalent_diameter_area for region in regions])
    return np.asarray(size * mm_per_px(rendering) * 1000)


def _edge_um(seed: int, view: View) -> float:
    """Width over which the gain against the twin rises from 10 to 90%, sharp picture."""
    eye = draw_eye(seed, age=72.0, quality=1.0)
    late = render(eye, (Feature("macular-change", "atrophy", 0.8),), view)
    twin = render(eye, (), view)
    gain = late.picture[..., 1].astype(float) / np.maximum(twin.picture[..., 1], 1)
    mask = late.masks["atrophy"] & ~late.masks["drusen"]
    signed = ndimage.distance_transform_edt(mask) - ndimage.distance_transform_edt(~mask)
    um = signed * mm_per_px(late) * 1000
    centres = np.arange(-150, 151, 10.0)
    profile = np.array([np.median(gain[np.abs(um - c) < 8]) for c in centres])
    low, high = profile[:6].mean(), profile[-6:].mean()
    share = (profile - low) / (high - low)
    return float(np.interp(0.9, share, centres) - np.interp(0.1, share, centres))
