"""Rows 1 to 10 and 12: where the disc lies, how large it is, how it is cupped."""

from __future__ import annotations

import itertools

import numpy as np

from server.rendering import draw_eye
from server.rendering.anatomy import Anatomy, draw_anatomy
from server.rendering.eye import MM_PER_DEGREE, Eye
from tests.bench.checks.check import Check, between

MANY = 3000
"""Head and camera roll in photographs (computed from 1581 of them); our anatomy has none."""


def anatomy_checks(count: int) -> list[Check]:
    """Measure ``count`` eyes (3000 for the percentiles of row 9)."""
    eyes = [draw_eye(seed) for seed in range(count)]
    anatomies = [draw_anatomy(eye) for eye in eyes]
    return [
        *_place(eyes, anatomies),
        *_size(anatomies),
        *_cup(anatomies),
    ]


def _place(eyes: list[Eye], anatomies: list[Anatomy]) -> list[Check]:
    x = np.array([a.disc_x for a in anatomies])
    right = float(np.mean([eye.side == "right" for eye in eyes]))
    distance = np.array([a.disc_distance * MM_PER_DEGREE for a in anatomies])
    diameters = np.array([a.disc_distance / a.disc_diameter for a in anatomies])
    angle = np.array([a.disc_angle for a in anatomies])
    height = np.array([-a.disc_y / a.disc_diameter for a in anatomies])
    above = np.mean([-a.disc_y < a.disc_height / 2 for a in anatomies])
    y = np.array([-a.disc_y for a in anatomies])
    width, tall = (
        float(np.mean([a.disc_width for a in anatomies])),
        float(np.mean([a.disc_height for a in anatomies])),
    )
    q = [0.01306 * (length - 1.82) for length in (22, 24, 26)]
    return [
        Check(
            1, "eyes with the disc nasal; right eyes", "100%; 45-55%", "anatomy",
            f"{np.mean(x < 0):.0%}; {right:.0%}",
            bool(np.all(x < 0)) and between(right, 0.42, 0.58),
        ),
        Check(
            2, "disc to fovea, mm: mean, SD, range", "4.76+-.10, .25-.45, 3.7-6.6", "Jonas 2015",
            f"{distance.mean():.2f}, {distance.std():.2f}, "
            f"{distance.min():.2f}-{distance.max():.2f}",
            between(distance.mean(), 4.66, 4.86) and between(distance.std(), 0.25, 0.45)
            and distance.min() >= 3.7 and distance.max() <= 6.6,
        ),
        Check(
            3, "disc to fovea, disc diameters", "2.65+-.15, SD .2-.4", "Jonas 2015",
            f"{diameters.mean():.2f}, SD {diameters.std():.2f}",
            between(diameters.mean(), 2.50, 2.80) and between(diameters.std(), 0.2, 0.4),
        ),
        Check(
            4, "disc-fovea angle with roll, deg: mean, SD, fovea above", "6.7+-1.2, 3.0-5.0, 2-10%",
            "1581 photographs, computed; Jonas 2015",
            f"{angle.mean():.1f}, {angle.std():.1f}, {np.mean(angle < 0):.0%}",
            between(angle.mean(), 5.5, 7.9) and between(angle.std(), 3.0, 5.0)
            and between(float(np.mean(angle < 0)), 0.02, 0.10),
        ),
        Check(
            5, "fovea below disc centre, DD; above lower edge", "0.29+-.14; >90%", "Lim 2005",
            f"{height.mean():.2f} SD {height.std():.2f}; {above:.0%}",
            between(height.mean(), 0.15, 0.43) and float(above) > 0.90,
        ),
        Check(
            6, "45 deg in mm; q at AL 22, 24, 26", "13.1+-.3; .264 .290 .316", "Bennett 1994",
            f"{45 * MM_PER_DEGREE:.2f}; drawn at 24 mm only: {MM_PER_DEGREE:.3f}",
            between(45 * MM_PER_DEGREE, 12.8, 13.4) and abs(MM_PER_DEGREE - q[1]) < 0.001,
        ),
        Check(
            7, "disc centre nasal, above, deg; size, deg", "15.5+-1.1, 1.5+-.9; 5.5x7.5+-1.2",
            "Rohrschneider 2004; Wandell",
            f"{-x.mean():.1f}, {y.mean():.1f}; {width:.1f}x{tall:.1f}",
            between(-x.mean(), 14.4, 16.6) and between(y.mean(), 0.6, 2.4)
            and between(width, 4.3, 6.7) and between(tall, 6.3, 8.7),
        ),
    ]  # fmt: skip


def _size(anatomies: list[Anatomy]) -> list[Check]:
    horizontal = np.array([a.disc_horizontal_mm for a in anatomies])
    vertical = np.array([a.disc_vertical_mm for a in anatomies])
    area = float(np.mean([a.disc_area_mm2 for a in anatomies]))
    ratio = float(np.median(vertical / horizontal))
    return [
        Check(
            8, "disc horizontal mm; V/H; area mm2", "1.77+-.10 SD .2-.35; 1.03-1.12; 2.4-2.9",
            "Jonas 1988; Quigley 1990; area memory",
            f"{horizontal.mean():.2f} SD {horizontal.std():.2f}; {ratio:.2f}; {area:.2f}",
            between(horizontal.mean(), 1.67, 1.87) and between(horizontal.std(), 0.2, 0.35)
            and between(ratio, 1.03, 1.12) and between(area, 2.4, 2.9),
        )
    ]  # fmt: skip


def _cup(anatomies: list[Anatomy]) -> list[Check]:
    many = [draw_anatomy(Eye(seed=10_000 + n)) for n in range(MANY)]
    cup = np.array([a.cup_ratio_vertical for a in many])
    bins = np.array_split(np.argsort([a.disc_vertical_mm for a in many]), 12)
    low, high = np.percentile(cup[bins[0]], 97.5), np.percentile(cup[bins[-1]], 97.5)
    rise = float(np.median(cup[bins[-1]]) - np.median(cup[bins[0]]))
    wider = float(np.mean([a.cup_ratio_horizontal >= a.cup_ratio_vertical for a in anatomies]))
    rims = [a.rim_widths_mm() for a in anatomies]
    order = ("inferior", "superior", "nasal", "temporal")
    holds = float(np.mean([all(r[p] >= r[q] for p, q in itertools.pairwise(order)) for r in rims]))
    thinnest = float(np.mean([min(r, key=r.__getitem__) == "temporal" for r in rims]))
    return [
        Check(
            9, "97.5th percentile of C/D, small to large disc; median rises",
            ".60, .75+-.05; .20+-.06", "Crowston 2004", f"{low:.2f}, {high:.2f}; {rise:.2f}",
            between(float(low), 0.55, 0.65) and between(float(high), 0.70, 0.80)
            and between(rise, 0.14, 0.26),
        ),
        Check(
            10, "normal cups at least as wide as high", ">=85%", "Jonas 1988, memory",
            f"{wider:.0%}", wider >= 0.85,
        ),
        Check(
            12, "rim order I>=S>=N>=T holds; temporal thinnest", "35-80%; >=70%",
            "Harizman 2006; Poon 2017", f"{holds:.0%}; {thinnest:.0%}",
            between(holds, 0.35, 0.80) and thinnest >= 0.70,
        ),
    ]  # fmt: skip
