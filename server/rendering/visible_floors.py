"""From where on each finding counts as there: one stated floor per finding.

Below its floor a sign cannot be told from the normal spread, or cannot be seen
in a photograph of ordinary size. Cards never draw between nothing and the
floor; when a second sign happens to fall there (a stray speck at the rim of
the macula), the truth calls it borderline and nobody is marked on it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

MACULA_DIAMETER_MM = 5.5
"""Clinical textbooks' macula: the area with more than one layer of ganglion cells."""

DISC_DIAMETER_MM = 1.8
"""The trade's unit of distance, from the fitted ellipses of Jonas 1988 and Quigley 1990."""


@dataclass(frozen=True)
class Floor:
    """What must be reached for a finding to count as present.

    Parameters
    ----------
    value : least measure that counts; ``unit`` is the unit of both.
    doubt : largest measure that is still clearly nothing; between ``doubt``
        and ``value`` the finding is borderline. (For the cup the percentiles
        themselves say what is doubtful.)
    measures : what is measured, in a clause.
    reason : why the floor lies there.
    source : published source, or what else the value rests on.
    shown_unit : unit of what a learner is told, where that is another quantity.
    """

    value: float
    doubt: float
    unit: str
    measures: str
    reason: str
    source: str
    shown_unit: str = ""


def circle_area(diameter: float) -> float:
    """Area of a circle, in the square of the diameter's unit."""
    return math.pi / 4 * diameter**2


FLOORS: Mapping[str, Floor] = {
    "swollen-margin": Floor(
        1.0,
        0.1,
        "Frisén stage",
        "stage on the modified Frisén scale, continuous",
        "stage 1, a C-shaped halo with a temporal gap, is the first stage beyond the nerve-fibre "
        "prominence of normal discs",
        "Frisén 1982; modified scale in Neuro-Ophthalmology 2023 (PMC10332214)",
    ),
    "pale-disc": Floor(
        0.15,
        0.05,
        "loss of rim redness",
        "mean fall of the red-to-green ratio (encoded) over the rim or its palest quarter",
        "normal rims of one camera differ by about 0.12 in this ratio (one standard deviation of "
        "photographed normal discs), so a smaller fall is within the normal spread",
        "direction: Nakano 2016; spread measured on public photographs; cut-off is our own",
    ),
    "enlarged-cup": Floor(
        1.0,
        1.0,
        "of the upper normal limit",
        "vertical cup-to-disc ratio over the 99th percentile for the disc's size; a notch counts "
        "as at the limit",
        "fewer than one unaffected disc in a hundred lies above it; between the 97.5th and the "
        "99th percentile an eye is a suspect at most",
        "Crowston 2004, table 4",
        shown_unit="vertical cup-to-disc ratio",
    ),
    "new-vessels": Floor(
        0.02,
        0.0,
        "disc areas",
        "area of new vessels and of fibrous tissue that carries them",
        "about 0.05 mm2, a tuft a quarter of a disc diameter across: smaller ones need "
        "angiography or magnification; the grading standards start far above, at 1/4 disc area",
        "scale of areas: Diabetic Retinopathy Study; cut-off common practice, no source",
    ),
    "peripheral-pigment": Floor(
        0.10,
        0.0,
        "mm2",
        "area of bone-spicule pigment in the field",
        "two or three spicules of 0.1 to 0.5 mm; a single dark speck is no pattern",
        "size of a spicule: atlas impression, value from memory; cut-off is our own",
    ),
    "macular-change": Floor(
        circle_area(0.125),
        0.0,
        "mm2",
        "area of all lesions that belong to the macula (circle of 5.5 mm about the fovea)",
        "the area of one large druse (125 um, a vein's width at the disc margin), which is also "
        "where a scatter of small drusen stops being ordinary ageing",
        "AREDS report 18 (sizes); total area of small drusen: AREDS category 2, from memory",
    ),
}
"""The floors, by finding."""

NOTCH_MM2 = 0.02
"""A notch counts from here: about 0.1 mm deep over 20 degrees of rim (our own cut-off)."""

ENCROACHMENT_MM2 = 0.25
"""A lesion mostly outside the macula counts when this much lies inside.

Nobody can see where the circle of 5.5 mm runs, so a flame from a swollen disc
that just crosses it must not make a second finding (our own cut-off, half a
millimetre square).
"""

MACULAR_LESIONS: tuple[str, ...] = (
    "drusen",
    "pigment-clump",
    "atrophy",
    "membrane",
    "subretinal-fluid",
    "subretinal-blood",
    "scar",
    "exudate",
    "haemorrhage",
    "microaneurysm",
    "intraretinal-shunt",
    "cotton-wool-spot",
    "new-vessels",
    "preretinal-blood",
    "fibrosis",
    "spicule",
    "depigmentation",
    "laser-scar",
    "congenital-pigment",
    "naevus",
    "myelinated-fibres",
)
"""Every mask that is something abnormal when it lies within the macula."""

LESION_NAMES: Mapping[str, str] = {
    "swelling-halo": "swollen margin",
    "pallor": "pale rim",
    "cup": "enlarged cup",
    "notch": "notch in the rim",
    "nerve-fibre-defect": "nerve-fibre defect",
    "haemorrhage": "haemorrhage",
    "cotton-wool-spot": "cotton-wool spot",
    "exudate": "hard exudate",
    "fold": "retinal fold",
    "drusen": "drusen",
    "pigment-clump": "pigment clump",
    "atrophy": "atrophy",
    "membrane": "membrane under the retina",
    "subretinal-fluid": "fluid under the retina",
    "subretinal-blood": "blood under the retina",
    "scar": "scar",
    "new-vessels": "new vessels",
    "preretinal-blood": "blood in front of the retina",
    "fibrosis": "fibrous tissue",
    "microaneurysm": "microaneurysm",
    "intraretinal-shunt": "shunt vessel within the retina",
    "spicule": "bone-spicule pigment",
    "depigmentation": "loss of pigment",
    "disc-drusen": "disc drusen",
    "myelinated-fibres": "myelinated nerve fibres",
    "crescent": "crescent",
    "laser-scar": "laser scar",
    "congenital-pigment": "congenital pigment",
    "naevus": "naevus",
    "collateral": "collateral vessel",
}
"""What a learner reads beside an outline, by the mask it was drawn from."""
